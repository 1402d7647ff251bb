"""Photos, register, controls and picks in, a site's result out: the one pipeline that every command calls."""
