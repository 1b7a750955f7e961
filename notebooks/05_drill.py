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
# # The drill: when would you have left?
#
# For a trainer at a table with a community group: the same morning with a fire at 5, at 12 and at 50 km/h. The clock
# runs, word comes in, and every group says when it would start to get ready and how it would leave. Then each answer is
# put on the curve of how many of the computed days get clear.
#
# **Exercise only: no message here is real, and official ones are invented.** Official warnings and the directions of
# the emergency services override anything here. This is for learning before the season, never for use during a fire.
#
# The first cell holds what you may change. Then choose *Run, Run All Cells*.

# %% tags=["parameters"]
from leaveby.notebook import demo_folder

DRILL = demo_folder() / "drill.toml"  # your own drill file, or this example
MEMBERS = 60  # how many times the uncertain day is played through in each round; more is slower and steadier

# %%
import leaveby
from leaveby.notebook import drill_panel, listed, override_banner, shown_rounds

override_banner()

# %%
drill = leaveby.run_drill(DRILL, members=MEMBERS)
shown_rounds(drill)

# %% [markdown]
# ## The clock
#
# Choose a round and move the clock, or press play: one second is a minute. Untick the box while groups look on. Below,
# set what a group answers: it lies on the curve at once. *Keep this answer* leaves it there.

# %%
drill_panel(drill)

# %% [markdown]
# ## On paper
#
# `leaveby drill DRILL.toml` writes the trainer's part and, apart from it, the sheets for the groups, one page for each
# pause.
#
# ## What was taken for granted

# %%
listed(drill.assumptions)
