"""What is printed: bead physics, bed profile, pads, markers, sheets and their G-code."""
