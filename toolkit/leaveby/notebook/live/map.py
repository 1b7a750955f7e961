"""A map in the notebook that can be moved and zoomed: it needs no internet.

It has no tiles: the hills travel inside the page, and the rest are lines. `ipyleaflet` and `ipywidgets` come with the
extra `lab` and are only looked for when a map is asked for. Names from files are shown as text, never read as HTML.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from markupsafe import Markup, escape

from leaveby.decision.ways.result import HouseholdResult
from leaveby.notebook.live.ground import PANES, Layer, LiveSheet, Look, Mark, collection, sign_url, window_and_zoom
from leaveby.notebook.live.layers import household_sheet, moment_layers, moment_words, moments_s, stretches
from leaveby.notebook.widgets import answering, control, folded, import_lab, listed, panel
from leaveby.show.figure import INK, OVERRIDE_LINE
from leaveby.show.templates import filled
from leaveby.show.wording import clock_words

HEIGHT_PX: Final = 560
_WIDTH_PX: Final = 800.0
"""Narrower than most pages, so that everything is seen at first."""

_HALO: Final = "text-shadow:" + ",".join(f"{x}px {y}px 1px #fff" for x in (-1, 0, 1) for y in (-1, 0, 1) if x or y)
_LIFT: Final[Mapping[str, int]] = {"": -1000, "home": 2000, "number": 1000}
"""Words lie under numbers, and nothing over the home."""
_LETTER_PX: Final = 8.0
_LINE_PX: Final = 16.0
"""A letter and a line of words beside a sign, at most."""

_LETTERS: Final = f"color:{INK};background:#fff;padding:.3em .6em"


@dataclass(frozen=True, eq=False)
class LiveMap:
    """A map on the screen; `show` puts a sheet on it.

    The box holds the map, what belongs under it, the legend, and the same in words; `pointed` and `tapped` are what is
    said of a thing under the pointer, and of one that was tapped. `held` is what is on the map, by the layer's name.
    `spare` is what is no longer shown, by class and pane, to be used again: the page may still be drawing it, so that
    it can't be closed.
    """

    box: Any
    chart: Any
    pointed: Any
    tapped: Any
    held: dict[str, tuple[Layer, Any]]
    spare: dict[tuple[str, str], list[Any]]
    icons: dict[str, Any]

    def show(self, sheet: LiveSheet) -> None:
        """Put a sheet on the map, and leave what is already there as it is."""
        if not self.chart.layers:
            self._open_at(sheet)
        names = {layer.name for layer in sheet.layers}
        for name in [name for name in self.held if name not in names]:
            _, group = self.held.pop(name)
            self._spare(group.layers)
            self._spare((group,))
        for layer in sheet.layers:
            held, group = self.held.get(layer.name, (None, None))
            if held is layer:
                continue
            if group is None:
                # The switch beside a layer reads its name as HTML.
                group, _ = self._taken("LayerGroup", name=str(escape(layer.name)))
            else:
                self._spare(group.layers)
            group.layers = self._drawn(layer)
            self.held[layer.name] = (layer, group)
        ground = [one for one in self.chart.layers if not hasattr(one, "layers")]
        wanted = (*ground, *(self.held[layer.name][1] for layer in sheet.layers))
        if self.chart.layers != wanted:
            self.chart.layers = wanted
        legend, words = self.box.children[-2:]
        legend.value = legend_html([row for layer in sheet.layers for row in layer.meanings], sheet.notice)
        said = folded(f"{sheet.title}: the same in words", str(Markup("<p>{}</p>").format(sheet.described)))
        words.value = f'<div style="{_LETTERS}">{said}</div>'

    def _open_at(self, sheet: LiveSheet) -> None:
        """The place that a map shows first, what lies under all layers, and whose data it is."""
        leaflet, chart, picture = import_lab("ipyleaflet"), self.chart, sheet.picture
        chart.center, chart.zoom = window_and_zoom(sheet.window_deg, width_px=_WIDTH_PX, height_px=HEIGHT_PX)
        chart.min_zoom = max(0.0, chart.zoom - 3.0)
        for one in chart.controls:
            if isinstance(one, leaflet.AttributionControl):
                one.prefix = sheet.notice or "leaveby"
            elif isinstance(one, leaflet.ScaleControl):
                one.metric, one.imperial = not sheet.measures.imperial, sheet.measures.imperial
        # A layer that leaves the page with words of its own is an error there: one mark that stays has them for all. It
        # is the only "base" layer, of which the switches show no row.
        words = leaflet.Popup(location=chart.center, child=self.tapped, min_width=240)
        at = Mark(chart.center[1], chart.center[0], "", "")
        chart.add(leaflet.Marker(**self._state(at), draggable=False, keyboard=False, base=True, popup=words))
        if picture is not None:
            edges = ((picture.south_deg, picture.west_deg), (picture.north_deg, picture.east_deg))
            chart.add(leaflet.ImageOverlay(url=picture.url, bounds=edges, name="Hills and valleys"))

    def _taken(self, kind: str, pane: str = "", **state: Any) -> tuple[Any, bool]:
        """A layer of ipyleaflet with these traits, and whether it is new."""
        if not self.spare[kind, pane]:
            return getattr(import_lab("ipyleaflet"), kind)(pane=pane, **state), True
        made = self.spare[kind, pane].pop()
        for name, value in state.items():
            setattr(made, name, value)
        return made, False

    def _spare(self, layers: Sequence[Any]) -> None:
        for one in reversed(layers):
            self.spare[type(one).__name__, one.pane].append(one)

    def _drawn(self, layer: Layer) -> tuple[Any, ...]:
        """What one layer is made of: its shapes by pane, which tell of themselves, and its marks."""
        drawn = []
        for pane in PANES:
            shapes = [shape for shape in layer.shapes if shape.pane == pane]
            if not shapes:
                continue
            hover = {"opacity": 0.55} if pane == "touch" else {}
            made, new = self._taken("GeoJSON", pane, data=collection(shapes), hover_style=hover)
            if new:
                # Only what is named here reaches the lines themselves; the pane is not, as it comes.
                made.options = [*made.options, "pane"]
                made.on_hover(self._point)
                made.on_click(self._tap)
            drawn.append(made)
        zoom = self.chart.zoom
        for mark in layer.marks:
            state = self._state(mark, lines_down=words_down(mark, layer.marks, zoom=zoom))
            drawn.append(self._taken("Marker", draggable=False, keyboard=False, **state)[0])
        return tuple(drawn)

    def _state(self, mark: Mark, *, lines_down: int = 0) -> dict[str, Any]:
        html = mark_html(mark, lines_down=lines_down)
        if html not in self.icons:
            self.icons[html] = import_lab("ipyleaflet").DivIcon(html=html, icon_size=(0, 0), icon_anchor=(0, 0))
        place, over = (mark.lat_deg, mark.lon_deg), _LIFT.get(mark.sign, 400)
        return {"location": place, "icon": self.icons[html], "z_index_offset": over}

    def _point(self, feature: Mapping[str, Any] | None = None, **_event: object) -> None:
        if words := (feature or {}).get("properties", {}).get("words", ()):
            self.pointed.value = _signs("told", words=words)

    def _tap(
        self, feature: Mapping[str, Any] | None = None, coordinates: Sequence[float] = (), **_event: object
    ) -> None:
        if words := (feature or {}).get("properties", {}).get("words", ()):
            self.tapped.value = _signs("told", words=words)
            holder = self.chart.layers[0]
            holder.location = tuple(coordinates)
            holder.popup.open_popup()


def open_map(*below: Any) -> LiveMap:
    """Make an empty map, with some widgets between it and its legend."""
    leaflet, widgets = import_lab("ipyleaflet"), import_lab()
    chart = leaflet.Map(
        layers=(),
        zoom_snap=0.25,
        zoom_delta=0.5,
        max_zoom=19,
        scroll_wheel_zoom=True,
        attribution_control=False,
        panes={name: {"zIndex": level} for name, level in PANES.items()},
        layout=widgets.Layout(height=f"{HEIGHT_PX}px", width="100%"),
    )
    pointed, tapped = (
        widgets.HTML(_signs("told", words=["Point at a street, or tap it, for its name."])),
        widgets.HTML(),
    )
    switches = leaflet.LayersControl(collapsed=True, position="topright")
    switches.add_traits(hide_single_base=import_lab("traitlets").Bool(True).tag(sync=True))
    switches.options = [*switches.options, "hide_single_base"]
    chart.add(leaflet.WidgetControl(widget=pointed, position="bottomright", max_width=320))
    chart.add(switches)
    chart.add(leaflet.ScaleControl(imperial=False, position="bottomleft", max_width=140))
    chart.add(leaflet.AttributionControl(prefix="leaveby", position="bottomright"))
    box = widgets.VBox([chart, *below, widgets.HTML(), widgets.HTML()])
    return LiveMap(box, chart, pointed, tapped, {}, defaultdict(list), {})


def live_map(result: HouseholdResult) -> Any:
    """Make the household's map, with a slider for the clock: a panel that a notebook shows as it is.

    The slider changes what two layers hold, the ground burnt and the streets shut by then, and the sentences under it.
    """
    widgets = import_lab()
    roads, moments = stretches(result.network, result.closing_s), moments_s(result)
    first_s = min((way.latest_start_s for way in result.ways.values() if way.latest_start_s is not None), default=0.0)
    slider = control(
        "SelectionSlider",
        "Clock time",
        options=[(clock_words(result, at_s, step_min=1), at_s) for at_s in moments],
        value=max((at_s for at_s in moments if at_s <= first_s), default=moments[0]),
        layout=widgets.Layout(width="95%", max_width="60em"),
    )
    told = widgets.HTML()
    drawn, sheet = open_map(*([] if result.fire is None else [slider]), told), household_sheet(result)

    def move() -> None:
        drawn.show(sheet.under(moment_layers(result, roads, at_s=slider.value)))
        lines = listed(moment_words(result, roads, at_s=slider.value)).text
        told.value = f'<div role="status" style="{_LETTERS};line-height:1.4">{lines}</div>'

    move()
    return answering(panel(drawn.box), (slider,), move)


def mark_html(mark: Mark, *, lines_down: int = 0) -> str:
    """A mark's sign and words as HTML, with the words escaped, beside the sign or a line above or below."""
    return _signs("mark", mark=mark, halo=_HALO, top_em=0.95 * lines_down - 0.6)


def words_down(mark: Mark, marks: Iterable[Mark], *, zoom: float) -> int:
    """By how many lines to move a mark's words off another sign that lies where they would, at this zoom: -1 is up."""
    px_deg = 256.0 * 2.0**zoom / 360.0
    for other in marks if mark.sign not in ("", "number") else ():
        east_px = (other.lon_deg - mark.lon_deg) * px_deg
        north_px = (other.lat_deg - mark.lat_deg) * px_deg / math.cos(math.radians(mark.lat_deg))
        covered = 0.0 < east_px < _LETTER_PX * len(mark.text) and abs(north_px) < _LINE_PX
        if covered and other.sign not in ("", "number"):
            return 1 if north_px > 0.0 else -1
    return 0


def legend_html(meanings: Iterable[tuple[Look | str, str]], notice: str) -> str:
    """The legend in plain words, beside the signs and lines as they are drawn, and whose data the roads are."""
    rows = dict.fromkeys(meanings)
    return _signs("legend", meanings=rows, notice=notice, letters=_LETTERS, override_line=OVERRIDE_LINE, paint=_paint)


def _signs(part: str, **values: Any) -> str:
    return filled("notebook/live/signs.html.j2", part=part, ink=INK, sign_url=sign_url, **values)


def _paint(look: Look) -> str:
    """The colour of a line or area, or a line's dashes, half as long to be seen as dashes."""
    if not look.dashes:
        return look.colour
    stops, at = [], 0.0
    for number, length in enumerate(float(part) / 2.0 for part in look.dashes.split()):
        stops.append(f"{'transparent' if number % 2 else look.colour} {at:g}px {at + length:g}px")
        at += length
    return f"repeating-linear-gradient(90deg,{','.join(stops)})"
