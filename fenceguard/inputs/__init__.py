"""What people do at the machine."""
