"""What happens to the water after the tip: turbulence, breakup, drag and the flown path."""
