"""What the earlier series of a workshop say of the next one."""
