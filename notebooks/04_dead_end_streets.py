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
# # Dead-end streets
#
# Which streets have one way out, how many homes hang on each, how long would they need to clear it, and which missing
# link would help most?
# Official warnings and the directions of the emergency services override anything here.
# This is for planning before the season, never for use during a fire, and no finding here is a legal one.
#
# The first cell holds what you may change. Then choose *Run, Run All Cells*.

# %% tags=["parameters"]
from leaveby.notebook import demo_folder

ROADS = demo_folder() / "roads.osm"  # an extract that reaches well beyond the streets you ask about
TERRAIN = demo_folder() / "terrain.tif"  # heights, for grades and links; None for none

# %% jupyter={"source_hidden": true}
from leaveby.notebook import override_banner

override_banner()

# %%
import leaveby
from leaveby.notebook import listed, street_panel

answer = leaveby.survey_streets(ROADS, terrain=TERRAIN)

# %% [markdown]
# ## Who has one way out
#
# Move the slider to leave out small groups. The numbers on the map are those of the table. A group that lies in another
# has to pass that one's street too. The map can be moved and zoomed with no internet: point at a street for its name
# and how many homes have to pass it.

# %%
street_panel(answer, terrain=TERRAIN)

# %% [markdown]
# ## What was taken for granted

# %%
listed(answer.assumptions)
