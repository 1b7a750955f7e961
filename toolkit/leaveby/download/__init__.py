"""Fetch what a home's plan needs from open data, only when one calls `fetch`; nothing else here opens a connection."""
