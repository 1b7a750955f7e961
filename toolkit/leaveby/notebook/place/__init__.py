"""Panels to change a plan by clicking or by keys: where, who, what there is to do, the bad day, and the answer."""
