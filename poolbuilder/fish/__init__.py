"""One fish in the hand: its characters, and which species and crosses they speak for."""
