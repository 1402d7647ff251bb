"""Are the stated figures true? Sites are drawn by the thousand and solved; what is stated is held against the truth."""
