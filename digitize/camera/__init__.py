"""The camera over the sheet: pose, focal length, principal point, lens, and how sure."""
