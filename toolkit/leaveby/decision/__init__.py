"""The three rooms brought together: closing times, members, leave-by times, trigger lines."""
