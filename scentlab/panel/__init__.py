"""Scoring on a phone or tablet: what the pages say and take, and the server for them."""
