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
# # Our roads
#
# How long the drive to each safe point takes with your vehicle, and which roads a tall or heavy trailer can't use.
# Official warnings and the directions of the emergency services override anything here.
# This is for planning before the season, never for use during a fire.
#
# The roads are those of your plan file. The first cell holds what you may change. Then choose *Run, Run All Cells*.

# %% tags=["parameters"]
from leaveby.notebook import demo_folder

PLAN = demo_folder() / "plan.toml"  # put the path of your own plan file here
WAY = "tow"  # to begin with: tow, car or foot

# %% jupyter={"source_hidden": true}
from leaveby.notebook import override_banner

override_banner()

# %%
from leaveby.notebook import our_roads, road_panel

area = our_roads(PLAN)
print(f"{area.network.edge_count} stretches of road, each direction counted; {len(area.ends)} safe points.")

# %% [markdown]
# ## Your vehicle
#
# Choose how you leave, then move the height, the mass and the speed. Rungs and numbers mark what this vehicle can't
# use; the table below the map says why. The yellow band is the quickest way to each safe point. The map can be moved
# and zoomed with no internet: point at a street for its name, its kind and the time it takes to get there.

# %%
road_panel(area, way=WAY)

# %% [markdown]
# ## Before you trust it
#
# - Measure the house with everything on the roof, and weigh it loaded. A sign that nobody mapped is not on this map.
# - Drive every way out with the house before the season, in both directions if you can.
# - A way that is quickest on a clear day may be the first to shut. The notebook *Leave early* puts the fire on these
#   roads.
