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
# # Our district
#
# Which homes have least time, under which rating, and what would give them more: a second exit, a cleared verge, an
# earlier siren, a bus?
# Official warnings and the directions of the emergency services override anything here.
# This is for planning before the season, never for use during a fire.
#
# The first cell holds what you may change. Then choose *Run, Run All Cells*.

# %% tags=["parameters"]
from leaveby.notebook import demo_folder

DISTRICT = demo_folder() / "district.toml"  # the district: roads, homes, safe points, fires, and what a household needs

# %% jupyter={"source_hidden": true}
from leaveby.notebook import override_banner

override_banner()

# %%
import leaveby
from leaveby.notebook import district_panel, homes_first, listed

survey = leaveby.survey_district(DISTRICT)

# %% [markdown]
# ## Streets, and what would help
#
# Choose the rating of the day, where the wind comes from, and how long after a fire starts you would roll. The same
# fires are looked at again; none is computed anew.

# %%
district_panel(survey)

# %% [markdown]
# ## Homes that go first

# %%
homes_first(survey)

# %% [markdown]
# ## What was taken for granted

# %%
listed(survey.question.assumptions)
