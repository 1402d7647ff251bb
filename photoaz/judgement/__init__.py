"""Agreement, conformity, impact and revisit: the numbers become a decision."""
