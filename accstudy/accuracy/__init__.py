"""Trueness, precision, outliers, uncertainty, tolerance and conformity, as ISO 5725 means them."""
