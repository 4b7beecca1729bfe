"""Alerts: judges the rules over what is counted, and tells people by e-mail and signed web calls."""
