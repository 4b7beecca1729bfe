"""HTTP by resource: each module holds the routes of one, with what they take and the answer they give."""
