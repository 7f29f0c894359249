"""The yard page: photos come in from a phone, the answer goes back to the phone."""
