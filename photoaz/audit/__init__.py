"""Archives of photos: what is in them, what each photo is worth, and the work of measuring them all."""
