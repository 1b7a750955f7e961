# ---
# jupyter:
#   jupytext:
#     formats: ipynb,py:percent
#     text_representation:
#       extension: .py
#       format_name: percent
#   kernelspec:
#     display_name: Python 3 (ipykernel)
#     language: python
#     name: python3
# ---

# %% [markdown]
# # Leave early
#
# Rules for a fire that nobody knows yet: on which days the house goes the evening before, where fire is too near on
# the others, and by which road. Then one day worked through by the clock, as an example.
# Official warnings and the directions of the emergency services override anything here.
# This is for planning before the season, never for use during a fire.
#
# The first cell holds what you may change. Then choose *Run, Run All Cells*.

# %% tags=["parameters"]
from leaveby.notebook import demo_folder

PLAN = demo_folder() / "plan.toml"  # put the path of your own plan file here

# %% jupyter={"source_hidden": true}
from leaveby.notebook import override_banner

override_banner()

# %%
from leaveby.notebook import (
    answered,
    leave_early_panel,
    listed,
    live_map,
    practised,
    replayed,
    rules_panel,
    shown_timetable,
)

result = answered(PLAN)

# %% [markdown]
# ## The rules
#
# They stand above, one sentence for each official rating and way of leaving. Choose a rating, where the wind comes
# from, when a fire starts and how soon you know of it: the map shows where fire is too near then. With fire inside the
# thin line, go; with fire inside the thick one, it is too late to begin.

# %%
rules_panel(result)

# %% [markdown]
# ## One day by the clock: how sure do you want to be, when would you start, and what if?
#
# Move the sliders. The curve falls with every minute of delay; the dots are the latest starts that were asked for. Wind
# and weather move as far as the solved fires reach, and how nearly a time is known stands beside it.

# %%
leave_early_panel(result)

# %% [markdown]
# ## The day

# %%
shown_timetable(result)

# %% [markdown]
# ## The map
#
# To move and zoom, with no internet. Move the clock to see where the fire is and what is shut by then, in the middle
# run; point at a street for its name, its kind and when it shuts. What is on the map can be switched on and off at its
# upper right corner.

# %%
live_map(result)

# %% [markdown]
# ## Practised
#
# What the plan says of each task, and how long it took in your practice runs (`practice.csv` beside the plan).

# %%
practised(result)

# %% [markdown]
# ## Do the numbers mean what they say?
#
# A household follows the times above through fires that are drawn anew: how often is it caught on the road?

# %%
replayed(result, truths=100)

# %% [markdown]
# ## What was taken for granted

# %%
listed((*result.assumptions, *result.outside_validity))
