"""Which panel found in a photo is which antenna of the register, and which photo shows which site."""
