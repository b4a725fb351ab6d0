"""What leaves the workshop: pictures, the report, and the share package."""
