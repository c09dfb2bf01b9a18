"""What the pictures of a run show: bracket sets, contact sheets, time-lapses, and the contacts seen in them."""
