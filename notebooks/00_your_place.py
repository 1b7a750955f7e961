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
# # Your place
#
# Put in your home, the people, what there is to do and the worst day you know of, by clicking or by keys.
# Official warnings and the directions of the emergency services override anything here. This is for planning before
# the season, never for use during a fire.
#
# Each change is checked at once and can be taken back; nothing is written before you press *Save*. Your plan file
# keeps its comments and its order. The first cell holds what you may change. Then choose *Run, Run All Cells*.

# %% tags=["parameters"]
from leaveby.notebook import demo_folder

PLAN = demo_folder() / "plan.toml"  # put the path of your own plan file here: it is changed where it is
FOLDER = "your_place"  # of the demo's plan a copy is changed, in this folder

# %% jupyter={"source_hidden": true}
from leaveby.notebook import override_banner

override_banner()

# %% [markdown]
# ## Is it right?

# %%
from leaveby.notebook import (
    place_answer,
    place_check,
    place_day,
    place_list,
    place_map,
    place_roads,
    your_place,
)

place = your_place(PLAN, folder=FOLDER)
place_check(place)

# %% [markdown]
# ## Where
#
# Click on the map, or write a point as latitude and longitude, then say what is there. Each safe point has to be
# confirmed locally, with the fire agency or the council, before the season. No place is safe from every fire.

# %%
place_map(place)

# %% [markdown]
# ## Roads
#
# A road that is washed out, locked or that you won't take is closed here: no way out runs over it. A gate or private
# way that you may open is yours. A road that is not marked may still be shut on the day.

# %%
place_roads(place)

# %% [markdown]
# ## Safe points

# %%
place_list(place, "safe_points")

# %% [markdown]
# ## Who has to get out
#
# Someone who can do nothing takes no task. For somebody who is away, write in how many minutes they are home; or three
# numbers, the shortest, the likely and the longest time.

# %%
place_list(place, "people")

# %% [markdown]
# ## What there is to do
#
# Three times for each task, in minutes. Measure them in a drill; guesses are mostly too short.

# %%
place_list(place, "tasks")

# %% [markdown]
# ## The bad day

# %%
place_day(place)

# %% [markdown]
# ## Where a fire starts
#
# For a worked day: one fire by the clock, as an example beside the rules. Points are latitude and longitude; several,
# with semicolons between, are a line of fire.

# %%
place_list(place, "ignitions")

# %% [markdown]
# ## When to leave
#
# This saves the plan. A first answer stands here within seconds, the whole one follows, with the sheet for the fridge.

# %%
place_answer(place)
