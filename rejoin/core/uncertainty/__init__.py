"""How far a placed fragment may still be from the truth."""
