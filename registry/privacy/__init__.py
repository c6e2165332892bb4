"""What may not come in, and how an identified export becomes a pseudonymised one."""
