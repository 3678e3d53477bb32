"""Old against new, as pictures, drawings, a report and words."""
