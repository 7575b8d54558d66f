"""The fleet end: many sites, who is in trouble, who gets worse, and the rules again over them."""
