"""The account: what fired against what was planned, and the audit of the journal against the rules."""
