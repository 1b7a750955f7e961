"""Rules for a fire nobody knows yet: on a day rated so, for each way of leaving, when to go and by which road."""
