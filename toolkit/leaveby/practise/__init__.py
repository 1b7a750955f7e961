"""Practising with a watch: a page for phone and laptop, and a plain terminal."""
