"""Telling people: what is still to be told, in which words, and the child that hands it to a push service."""
