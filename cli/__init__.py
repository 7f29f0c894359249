"""The command line and the yard page: the half that meets the outside."""
