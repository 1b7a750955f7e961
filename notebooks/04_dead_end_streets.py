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
# link would help most? Official warnings and the directions of the emergency services override anything here. This is
# for planning before the season, never for use during a fire, and no finding here is a legal one.
#
# The first cell holds what you may change. Then choose *Run, Run All Cells*.

# %% tags=["parameters"]
from leaveby.ask.household import demo_folder

ROADS = demo_folder() / "roads.osm"  # an extract that reaches well beyond the streets you ask about
TERRAIN = demo_folder() / "terrain.tif"  # heights, for grades and links; None for none

# %%
from leaveby.ask.streets import read_raster, survey_streets
from leaveby.notebook.live.map import live_streets_map
from leaveby.notebook.street_panel import street_panel
from leaveby.notebook.widgets import listed, override_banner

override_banner()

# %%
answer = survey_streets(ROADS, terrain=TERRAIN)

# %% [markdown]
# ## Who has one way out
#
# Move the slider to leave out small groups. The numbers on the map are those of the table. A group that lies in another
# has to pass that one's street too.

# %%
street_panel(answer)

# %% [markdown]
# ## The streets to move and zoom
#
# With no internet. Point at a street for its name and how many homes have to pass it; the numbers are those of the
# table above.

# %%
live_streets_map(answer, heights=read_raster(TERRAIN, crs=answer.streets.crs, what="terrain") if TERRAIN else None)

# %% [markdown]
# ## What was taken for granted

# %%
listed(answer.assumptions)
