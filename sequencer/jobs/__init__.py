"""One function for each thing a user can do that takes more than one of the stations before."""
