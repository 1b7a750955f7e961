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
# # How fast is fast?
#
# What the published equations say of a fire's speed on a day of your choice, how far off they have been, and how far
# the fire gets while you hitch up.
# Official warnings and the directions of the emergency services override anything here.
# This is for learning and planning before the season, never for use during a fire.
#
# The first cell holds what you may change. Then choose *Run, Run All Cells*.

# %% tags=["parameters"]
TEMPERATURE_C = 40.0
HUMIDITY_PERCENT = 12.0
WIND_KM_H = 45.0  # mean wind in the open, not gusts
DROUGHT_FACTOR = 10.0  # 0 to 10; 10 is the driest
SLOPE_DEG = 0.0  # uphill above 0
FUEL = "dry eucalypt forest"
MINUTES_TO_HITCH = 45.0
DRIVING_KM_H = {"towing": 60.0, "by car": 80.0}  # mean speeds with the road to yourself

# %% jupyter={"source_hidden": true}
from leaveby.notebook import override_banner

override_banner()

# %%
from leaveby.notebook import FireDay, listed, reach_sentences, speed_panel

# %% [markdown]
# ## The day
#
# Move the sliders. The upper chart sets the models side by side. The dot is what an equation gives as printed; the
# hatched bar is where 9 of 10 runs lie when the model is as far off as it has been on fires that were measured. The
# lower chart shows how far each fire gets in the minutes that you need, beside people walking and driving.
#
# The lines for driving hold only while the road is open, the air is clear and nobody is in front of you. Embers start
# new fires kilometres ahead of the front; these charts leave them out.

# %%
speed_panel(
    FireDay(
        air_temperature_c=TEMPERATURE_C,
        relative_humidity_percent=HUMIDITY_PERCENT,
        wind_km_h=WIND_KM_H,
        drought_factor=DROUGHT_FACTOR,
        slope_deg=SLOPE_DEG,
        fuel=FUEL,
    ),
    minutes=MINUTES_TO_HITCH,
    driving_km_h=DRIVING_KM_H,
)

# %% [markdown]
# ## Who can reach 12 km/h, and who can't
#
# **As printed, the forest Mark 5 equation can't reach 12 km/h on flat ground in forest**: at the very top of its scale
# it gives 3 km/h. Only when it is corrected by how slow it has been on measured fires does its bar reach that far. Yet
# 12 km/h is the fastest forest run reported in Victoria up to 2003 (Packham, read second hand), and **runs near
# 50 km/h are told of** (common practice, no source). A plan that rests on one equation rests on how that equation
# fails. The three marks in the charts, 5, 12 and 50 km/h, are set by hand: ask of each whether you would still be away.

# %%
listed(
    reach_sentences(
        FireDay(
            air_temperature_c=TEMPERATURE_C,
            relative_humidity_percent=HUMIDITY_PERCENT,
            drought_factor=DROUGHT_FACTOR,
            fuel="dry eucalypt forest",
        ),
        to_km_h=12.0,
    )
)

# %% [markdown]
# ## Fires that were measured
#
# - Bemm River, Victoria, October 1988, forest: 3.5 to 4 km/h, where Mark 5 gave 2 (published report, read in an
#   abstract).
# - Tasmania, January 2013, 12 runs: Mark 5 too slow by 73 % on average, the dry eucalypt equation by 4 %
#   (Marsden-Smedley 2014, read in a summary).
# - Rognac, France, August 2016, shrubs: 5.3 km/h over the first 80 minutes, in a wind of 55 km/h (article of a fire
#   association, read).
# - Riverina, New South Wales, grass: 23 km/h (Noble 1991, International Journal of Wildland Fire 1:189-196, read in an
#   abstract).
#
# Mean errors of rate-of-spread models on measured fires run from 20 to 310 %, and models are too slow far more often
# than too fast (Cruz and Alexander 2013, Environmental Modelling and Software 47:16-28, read in an abstract).
