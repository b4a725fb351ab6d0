"""Tidy frame in, frozen fit out. A fit never opens a store, never draws, never decides."""
