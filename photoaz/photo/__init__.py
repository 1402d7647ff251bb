"""Photos: what their metadata says, their pixels, and the camera that took them."""
