"""Foresight: what a plan would find, which plan is worth its wax, and where to pour next."""
