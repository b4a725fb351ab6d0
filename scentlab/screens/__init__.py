"""One page for each stage of the work: what a notebook shows, without code in sight.

A page puts forms, pictures and words in the order of the work. It computes nothing of its own.
"""
