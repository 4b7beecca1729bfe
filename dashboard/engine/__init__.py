"""What makes pages appear early."""
