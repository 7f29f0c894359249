"""plugface: which controller is on these photos: family, variant, partner, and how sure one may be."""
