"""A map in the notebook that can be moved and zoomed, with a slider for the clock: it needs no internet.

It has no tiles: the hills travel inside the page, and the rest are lines. `ipyleaflet` and `ipywidgets` come with the
extra `lab` and are only looked for when a map is asked for. Names from files are shown as text, never read as HTML.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from importlib import import_module
from typing import Any, Final

from markupsafe import Markup, escape

from leaveby.decision.streets.result import StreetSurvey
from leaveby.decision.ways.result import HouseholdResult
from leaveby.errors import refuse
from leaveby.notebook.drives import RoadArea, drive_answer
from leaveby.notebook.live.ground import PANES, Layer, LiveSheet, Look, Mark, Shape, collection, window_and_zoom
from leaveby.notebook.live.layers import (
    BURNT,
    SHUT,
    burnt_shapes,
    household_sheet,
    moment_words,
    moments_s,
    shut_shapes,
    stretches,
)
from leaveby.notebook.live.roads import Heights, road_sheet, survey_sheet
from leaveby.notebook.widgets import import_widgets, override_banner
from leaveby.show.figure import INK, OVERRIDE_LINE
from leaveby.show.map_legend import FIRE
from leaveby.show.wording import clean, clock_words

HEIGHT_PX: Final = 560
_WIDTH_PX: Final = 800.0
"""Narrower than most pages, so that everything is seen at first."""

_HALO: Final = "text-shadow:" + ",".join(f"{x}px {y}px 1px #fff" for x in (-1, 0, 1) for y in (-1, 0, 1) if x or y)
_TOUCH: Final = {"opacity": 0.55}
_LIFT: Final[Mapping[str, int]] = {"": -1000, "home": 2000, "number": 1000}
"""Words lie under numbers, and nothing over the home."""
_SIGNS: Final[Mapping[str, str]] = {
    "home": f'<path d="M-8 8H8V-1L0 -9L-8 -1Z" fill="{INK}" stroke="#fff" stroke-width="1.5"/>',
    "safe": '<circle r="7" fill="#fff" stroke="#00614f" stroke-width="4"/>',
    "last": f'<rect x="-6.5" y="-6.5" width="13" height="13" fill="#fff" stroke="{INK}" stroke-width="2.2"/>',
    "fire": f'<path d="M0 -10L2.4 -3.2L9.5 -3.1L3.9 1.2L5.9 8.1L0 4.1L-5.9 8.1L-3.9 1.2L-9.5 -3.1L-2.4 -3.2Z" '
    f'fill="{FIRE}" stroke="#fff" stroke-width="1.2"/>',
    "exit": f'<path d="M-14 10H14L0 -15Z" fill="{INK}" stroke="#fff" stroke-width="1.2"/>',
    "group": f'<circle r="4.5" fill="#fff" stroke="{INK}" stroke-width="1.8"/>',
    "number": f'<circle r="8.5" fill="#fff" stroke="{INK}" stroke-width="1.3"/>',
}


def live_map(result: HouseholdResult) -> Any:
    """Make the household's map, with a slider for the clock.

    The slider changes what two layers hold, the ground burnt and the streets shut by then, and the sentences under it.

    Parameters
    ----------
    result : HouseholdResult

    Returns
    -------
    ipywidgets.VBox
        Shown by a notebook as it is.

    Raises
    ------
    InputError
        If `ipyleaflet` or `ipywidgets` is not installed.
    """
    leaflet, widgets = _ipyleaflet(), import_widgets()
    roads = stretches(result.network, result.closing_s)
    moments = moments_s(result)
    before = [at_s for at_s in moments if at_s <= min(_starts(result), default=0.0)]
    slider = widgets.SelectionSlider(
        options=[(clock_words(result, at_s, step_min=1), at_s) for at_s in moments],
        value=before[-1] if before else moments[0],
        description="Clock time",
        layout=widgets.Layout(width="95%", max_width="60em"),
    )
    told = widgets.HTML()
    burnt = _geojson(leaflet, burnt_shapes(result, slider.value), "area")
    shut = _geojson(leaflet, shut_shapes(result, roads, at_s=slider.value), "under")

    def move(_change: object = None) -> None:
        burnt.data = collection(burnt_shapes(result, slider.value))
        shut.data = collection(shut_shapes(result, roads, at_s=slider.value))
        told.value = _sentences(moment_words(result, roads, at_s=slider.value))

    slider.observe(move, names="value")
    move()
    moving = (
        (leaflet.LayerGroup(layers=(burnt,), name="Burnt by the clock time below"), burnt),
        (leaflet.LayerGroup(layers=(shut,), name="Shut by the clock time below"), shut),
    )
    meanings = ((BURNT, "Burnt by the clock time on the slider"), (SHUT, "Shut by the clock time on the slider"))
    return _panel(household_sheet(result), moving=moving, meanings=meanings, below=(slider, told))


def live_road_map(area: RoadArea, way: str) -> Any:
    """Make the map of the roads round a home for the plan's own vehicle: drive times, ways, what it can't use.

    Parameters
    ----------
    area : RoadArea
    way : str
        One of the plan's ways of leaving.

    Returns
    -------
    ipywidgets.VBox

    Raises
    ------
    InputError
        If `ipyleaflet` or `ipywidgets` is not installed, or the plan has no such way of leaving.
    """
    if way not in area.vehicles:
        raise refuse(
            "way of leaving",
            f"{way!r} is none of the plan's",
            expected=", ".join(area.vehicles),
            mend="choose one of these, or add the vehicle to the plan",
        )
    return _panel(road_sheet(area, drive_answer(area, way, vehicle=area.vehicles[way])))


def live_streets_map(answer: StreetSurvey, *, heights: Heights | None = None) -> Any:
    """Make the map of streets with one way out, for a community.

    Parameters
    ----------
    answer : StreetSurvey
    heights : callable, optional
        Gives the elevation at x_m and y_m (as `leaveby.ask.streets.read_raster` makes it), for the hills under it.

    Returns
    -------
    ipywidgets.VBox

    Raises
    ------
    InputError
        If `ipyleaflet` or `ipywidgets` is not installed.
    """
    return _panel(survey_sheet(answer, heights=heights))


def mark_html(mark: Mark) -> str:
    """A mark's sign and words as HTML, with the words escaped.

    Examples
    --------
    >>> "&lt;b&gt;" in mark_html(Mark(147.0, -36.0, "safe", "<b>Hall</b>"))
    True
    """
    inside = mark.sign == "number"
    sign = sign_svg(mark.sign, mark.text if inside else "") if mark.sign else ""
    place = "left:12px;top:-0.6em" if sign else "left:0;top:-0.6em;transform:translateX(-50%)"
    weight = "bold" if mark.sign else "normal"
    words = (
        ""
        if inside
        else Markup(
            '<span style="position:absolute;{};white-space:nowrap;font:{} 12px/1.2 sans-serif;color:{};{}">{}</span>'
        ).format(place, weight, mark.colour or INK, _HALO, clean(mark.text, 80))
    )
    return str(Markup('<div style="position:absolute;pointer-events:none">{}{}</div>').format(Markup(sign), words))


def sign_svg(sign: str, text: str = "") -> str:
    """A sign as a small drawing about the middle of its place.

    Examples
    --------
    >>> sign_svg("number", "<3").endswith("&lt;3</text></svg>")
    True
    """
    letters = (
        Markup(
            '<text y="4" text-anchor="middle" font-size="11" font-family="sans-serif" fill="{}" '
            'font-weight="bold">{}</text>'
        ).format(INK, text)
        if text
        else ""
    )
    return (
        '<svg width="22" height="22" viewBox="-11 -11 22 22" aria-hidden="true" '
        f'style="position:absolute;left:-11px;top:-11px;overflow:visible">{_SIGNS.get(sign, "")}{letters}</svg>'
    )


def legend_html(meanings: Sequence[tuple[Look | str, str]], notice: str) -> str:
    """The legend in plain words, beside the signs and lines as they are drawn.

    Parameters
    ----------
    meanings : sequence of (Look or str, str)
    notice : str
        Whose data the roads are.

    Examples
    --------
    >>> "&lt;i&gt;" in legend_html([("home", "<i>Home")], "")
    True
    """
    rows = Markup("").join(
        Markup(
            '<li style="display:flex;gap:.6em;align-items:center;margin:.15em 0;break-inside:avoid">{}'
            "<span>{}</span></li>"
        ).format(_sample(look), words)
        for look, words in dict.fromkeys(meanings)
    )
    foot = f"{notice}. {OVERRIDE_LINE}" if notice else OVERRIDE_LINE
    return str(
        Markup(
            '<div style="color:{};background:#fff;padding:.3em .6em;line-height:1.35">'
            "<strong>What you see</strong> (north is up)"
            '<ul style="list-style:none;margin:.3em 0;padding:0;columns:22em;column-gap:2em">{}</ul>'
            '<p style="margin:.3em 0">{}</p></div>'
        ).format(INK, rows, foot)
    )


def _sample(look: Look | str) -> Markup:
    if isinstance(look, str):
        return Markup(f'<span style="position:relative;flex:none;width:34px;height:22px">{_placed(look)}</span>')
    line = f'stroke="{look.colour}" stroke-width="{min(look.width_px, 12.0):g}" stroke-dasharray="{look.dashes}"'
    area = f'<rect x="-15" y="-8" width="30" height="16" fill="{look.colour}" fill-opacity="{look.fill:g}" {line}/>'
    inner = area if look.fill > 0.0 else f'<path d="M-16 0H16" fill="none" {line}/>'
    return Markup(
        f'<svg width="34" height="22" viewBox="-17 -11 34 22" style="flex:none" aria-hidden="true">{inner}</svg>'
    )


def _placed(sign: str) -> str:
    """A sign in the middle of its place in the legend; a number in its circle."""
    drawn = sign_svg("number", sign) if sign.isdigit() else sign_svg(sign)
    return f'<span style="position:absolute;left:17px;top:11px">{drawn}</span>' if sign else ""


def _starts(result: HouseholdResult) -> list[float]:
    return [way.latest_start_s for way in result.ways.values() if way.latest_start_s is not None]


def _sentences(lines: Sequence[str]) -> str:
    rows = Markup("").join(Markup("<li>{}</li>").format(clean(line)) for line in lines)
    return str(
        Markup(
            '<div role="status"><ul style="color:{};background:#fff;line-height:1.4;margin:0;padding:.3em 2em">{}</ul>'
            "</div>"
        ).format(INK, rows)
    )


def _geojson(leaflet: Any, shapes: Sequence[Shape], pane: str) -> Any:
    hover = _TOUCH if pane == "touch" else {}
    layer = leaflet.GeoJSON(data=collection(shapes), pane=pane, hover_style=hover)
    # Only what is named here reaches the lines themselves; the pane is not, as it comes.
    layer.options = [*layer.options, "pane"]
    return layer


def _group(leaflet: Any, layer: Layer) -> tuple[Any, list[Any]]:
    """One layer of the map, its shapes by pane, and those shapes again to listen to."""
    panes = [pane for pane in PANES if any(shape.pane == pane for shape in layer.shapes)]
    drawn = [_geojson(leaflet, [shape for shape in layer.shapes if shape.pane == pane], pane) for pane in panes]
    marks = [
        leaflet.Marker(
            location=(mark.lat_deg, mark.lon_deg),
            icon=leaflet.DivIcon(html=mark_html(mark), icon_size=(0, 0), icon_anchor=(0, 0)),
            draggable=False,
            keyboard=False,
            z_index_offset=_LIFT.get(mark.sign, 400),
        )
        for mark in layer.marks
    ]
    # The switch beside a layer reads its name as HTML.
    return leaflet.LayerGroup(layers=(*drawn, *marks), name=str(escape(layer.name))), drawn


def _panel(
    sheet: LiveSheet,
    *,
    moving: Sequence[tuple[Any, Any]] = (),
    meanings: Sequence[tuple[Look | str, str]] = (),
    below: Sequence[Any] = (),
) -> Any:
    """Banner, map, what belongs to it, legend, and the same in words."""
    leaflet, widgets = _ipyleaflet(), import_widgets()
    middle, zoom = window_and_zoom(sheet.window_deg, width_px=_WIDTH_PX, height_px=HEIGHT_PX)
    chart = leaflet.Map(
        layers=(),
        center=middle,
        zoom=zoom,
        zoom_snap=0.25,
        zoom_delta=0.5,
        min_zoom=max(0.0, zoom - 3.0),
        max_zoom=19,
        scroll_wheel_zoom=True,
        attribution_control=False,
        panes={name: {"zIndex": level} for name, level in PANES.items()},
        layout=widgets.Layout(height=f"{HEIGHT_PX}px", width="100%"),
    )
    if sheet.picture is not None:
        picture = sheet.picture
        edges = ((picture.south_deg, picture.west_deg), (picture.north_deg, picture.east_deg))
        chart.add(leaflet.ImageOverlay(url=picture.url, bounds=edges, name="Hills and valleys"))
    pointed = widgets.HTML(_pointed(("Point at a street, or tap it, for its name.",)))
    clicked = widgets.HTML()
    groups = [(group, [drawn]) for group, drawn in moving]
    groups += [_group(leaflet, layer) for layer in sheet.layers]

    def tell(box: Any) -> Callable[..., None]:
        def show(feature: Mapping[str, Any] | None = None, **_event: object) -> None:
            words = (feature or {}).get("properties", {}).get("words", ())
            if words:
                box.value = _pointed(words)

        return show

    for group, drawn in groups:
        for layer in drawn:
            layer.on_hover(tell(pointed))
            layer.on_click(tell(clicked))
            layer.popup, layer.popup_min_width = clicked, 240
        chart.add(group)
    chart.add(leaflet.WidgetControl(widget=pointed, position="bottomright", max_width=320))
    chart.add(leaflet.LayersControl(collapsed=True, position="topright"))
    chart.add(leaflet.ScaleControl(imperial=False, position="bottomleft", max_width=140))
    chart.add(leaflet.AttributionControl(prefix=sheet.notice or "leaveby", position="bottomright"))
    rows = [*meanings, *(row for layer in sheet.layers for row in layer.meanings)]
    words = widgets.HTML(
        str(
            Markup(
                '<details style="color:{};background:#fff;padding:.3em .6em"><summary>{}: the same in words</summary>'
                "<p>{}</p></details>"
            ).format(INK, sheet.title, sheet.described)
        )
    )
    return widgets.VBox(
        [
            widgets.HTML(override_banner().text),
            chart,
            *below,
            widgets.HTML(legend_html(rows, sheet.notice)),
            words,
        ]
    )


def _pointed(words: Sequence[str]) -> str:
    """What is pointed at: the first line stands out. All of it is text."""
    first, *rest = [clean(str(line), 160) for line in words] or [""]
    lines = Markup("").join(Markup("<br>{}").format(line) for line in rest)
    return str(
        Markup(
            '<div style="font:13px/1.35 sans-serif;color:{};background:#fff;padding:2px 6px;max-width:300px">'
            "<b>{}</b>{}</div>"
        ).format(INK, first, lines)
    )


def _ipyleaflet() -> Any:
    try:
        return import_module("ipyleaflet")
    except ImportError as error:
        raise refuse(
            "ipyleaflet",
            "is not installed",
            expected="the notebooks' libraries",
            mend='install them with: pip install "leaveby[lab]"',
        ) from error
