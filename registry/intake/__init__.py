"""Receiving: read a delivery honestly, check it against the dictionary, accept or hold each row."""
