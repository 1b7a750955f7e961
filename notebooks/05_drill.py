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
# For whoever leads a community group at a table: the same morning with a fire at 5, at 12 and at 50 km/h. Word comes
# in, and at each pause every group says when it would start to get ready and how it would leave. Only when you ask for
# it does the page show what came of it: the fire, the roads, and on how many of 100 such days each answer gets clear.
#
# **Exercise only: no message here is real, and official ones are invented.**
# Official warnings and the directions of the emergency services override anything here.
# This is for learning before the season, never for use during a fire.
#
# The first cell holds what you may change. Then choose *Run, Run All Cells*.

# %% tags=["parameters"]
from leaveby.notebook import demo_folder

DRILL = demo_folder() / "drill.toml"  # your own drill file, or this example
DAYS = 60  # how many such days are played through in each round; more is slower and steadier

# %%
import leaveby
from leaveby.notebook import drill_panel, listed, override_banner

override_banner()

# %%
drill = leaveby.run_drill(DRILL, members=DAYS)

# %% [markdown]
# ## Pause by pause
#
# Choose a round. Read what is known at its first pause, and set what a group answers; *Keep this answer* keeps it for
# later. *Go on to the next pause* brings the next word. *Show what came of it* gives the end away: look only when
# everyone has answered.

# %%
drill_panel(drill)

# %% [markdown]
# ## On paper
#
# `leaveby drill DRILL.toml --pdf` prints a card of two sides for whoever leads, an annex to it, and the sheets for the
# groups, one page for each pause.
#
# ## What was taken for granted

# %%
listed(drill.assumptions)
