"""From readings to the likely cause: which stage, what fault, what to check next."""
