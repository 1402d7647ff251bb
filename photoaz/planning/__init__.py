"""Before somebody drives out: where to stand, with which lens, when, what will come out, and what it is worth."""
