"""The fault catalogue as equations to be fitted: one module for each family, `CAUSES` in each."""
