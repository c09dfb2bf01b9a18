"""The page for the phone at the tripod, served by a process of its own."""
