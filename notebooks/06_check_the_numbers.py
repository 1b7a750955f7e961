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
# # Check the numbers
#
# Do the times say what they claim, and do the equations give what was published? Every number of ours stands beside
# one from outside, with where that one comes from and how it was obtained.
# Official warnings and the directions of the emergency services override anything here.
# This is for planning before the season, never for use during a fire.
#
# The first cell holds what you may change. Then choose *Run, Run All Cells*; it takes about a minute.

# %% tags=["parameters"]
from leaveby.notebook import demo_folder

PLAN = demo_folder() / "plan.toml"  # put the path of your own plan file here
MEMBERS = 150  # fires from which the times are computed
TRUTHS = 150  # fires drawn anew, on which they are tried

# %% jupyter={"source_hidden": true}
from leaveby.notebook import override_banner

override_banner()

# %%
import leaveby
from leaveby.notebook import (
    checked_equations,
    checked_exits,
    checked_hand_example,
    checked_replay,
    checked_shapes,
    ellipse_panel,
)

# %% [markdown]
# ## Households that follow the times
#
# The times are computed from one set of fires. Then other fires are drawn, and a household that starts at the computed
# time is walked through each of them minute by minute: packing, then stretch by stretch along its road. How often does
# it come onto a road that is shut, or would shut before its margin is over?

# %%
result = leaveby.plan_household(PLAN, members=MEMBERS)
checked_replay(result, truths=TRUTHS)

# %% [markdown]
# ## The equations
#
# For each equation the value that comes nearest to not agreeing. A value *computed from a remembered equation* only
# shows that the code does what was remembered; one *read in the source* or computed by another library was found
# outside.

# %%
checked_equations()

# %% [markdown]
# ## The shape of the fire
#
# On even ground in steady wind, fire from a point is an ellipse about its rear focus; under a changing wind the burnt
# region follows from support functions, which add. Both are exact, so arrival times can be held against them. Move the
# sliders: each move solves the fire anew.

# %%
checked_shapes()

# %%
ellipse_panel()

# %% [markdown]
# ## An example worked by hand
#
# One road runs 12 km east from the home to the town: Home Lane, Ford Road, Hill Road and Town Road, 3 km each, driven
# at 72 km/h. The ground is level, the air calm, and fire runs 1 m in a second, so it needs as many seconds to a place
# as it is metres away. It starts at noon, 6,750 m east and 6,100 m north of the home. A road shuts when fire is within
# 100 m, less 10 minutes for smoke; the household keeps a margin of 10 minutes and needs 20 minutes to get ready. The
# drive takes 1 to 1.5 times as long as computed, any factor as likely as any other. Everything follows with pencil and
# paper.

# %%
checked_hand_example()

# %% [markdown]
# ## Streets with one way out
#
# A small street graph with two rings and dead ends. How many homes have to pass each street? Here they are counted with
# the tree of streets that the survey uses; the other count takes each street out of the graph and sees who is cut off.

# %%
checked_exits()
