"""Rules of the house (DEVELOPERS.md) that a reader would miss sooner than a program does."""

from __future__ import annotations

import ast
import dataclasses
import subprocess
import sys
from functools import cache
from pathlib import Path

import pytest
from public_things import public_things
from seldom import seldom

import wearscope
from wearscope.quantities.quantity import QUANTITIES, VIEW_LABELS

ROOT = Path(wearscope.__file__).parent
SOURCES = sorted(ROOT.rglob("*.py"))
DISPLAY = ("PyQt5", "PyQt6", "PySide2", "PySide6", "qtpy", "napari", "vispy", "dask", "psycopg")


@cache
def parsed(source):
    return list(ast.walk(ast.parse(source.read_text(encoding="utf-8"))))


@cache
def imported_by(source):
    """Every module that a file imports, in functions too."""
    found = set()
    for node in parsed(source):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{source}: relative import"
            found |= {node.module, *(f"{node.module}.{alias.name}" for alias in node.names)}
    return found


def test_the_search_finds_imports():
    # the tests below would be idle if it did not
    assert "wearscope.imaging.located_edge.follow_edge" in imported_by(ROOT / "pipeline" / "sources.py")


def module_graph():
    """Which module of wearscope imports which, in functions too."""
    names = {}
    for source in SOURCES:
        parts = ("wearscope", *source.relative_to(ROOT).with_suffix("").parts)
        names[source] = ".".join(parts[:-1] if parts[-1] == "__init__" else parts)
    graph = {}
    for source, name in names.items():
        imports = imported_by(source) & set(names.values())
        # "from wearscope.cli import tables" is of the module and not of the package around it
        around = {other for other in imports if any(one.startswith(f"{other}.") for one in imports)}
        graph[name] = imports - around - {name}
    return graph


def package_graph(modules):
    """Which package of wearscope imports which; a module of no package stands for itself."""

    def package(name):
        parts = name.split(".")
        return parts[1] if len(parts) > 1 and (ROOT / parts[1]).is_dir() else name

    graph = {}
    for name, imports in modules.items():
        others = graph.setdefault(package(name), set())
        others |= {package(other) for other in imports} - {package(name)}
    return graph


def on_circles(graph):
    """Edges from which a way leads back to where they begin."""
    edges = {(one, other) for one, others in graph.items() for other in others}
    found = set()
    for one, other in edges:
        reached, ahead = set(), [other]
        while ahead:
            here = ahead.pop()
            if here not in reached:
                reached.add(here)
                ahead += graph.get(here, ())
        if one in reached:
            found.add((one, other))
    return found


def test_the_search_finds_circles():
    graph = {"a": {"b"}, "b": {"c"}, "c": {"a", "d"}, "d": set()}
    assert on_circles(graph) == {("a", "b"), ("b", "c"), ("c", "a")}


def test_no_circles():
    modules = module_graph()
    assert len(modules) > 80
    assert on_circles(modules) == set()
    packages = package_graph(modules)
    assert {"pipeline", "report", "wear"} <= set(packages)
    assert on_circles(packages) == set()


@cache
def texts_in(source):
    """Every whole text of a file, by which a quantity or a view would be compared by name."""
    return {node.value for node in parsed(source) if isinstance(node, ast.Constant)}


def told_in(name, *own):
    """Modules of wearscope and its viewer that name something or import from a module of its own."""
    sources = [*SOURCES, *(ROOT.parent / "plugins" / "wearscope_napari").rglob("*.py")]
    own_files = {ROOT.joinpath(*module.split(".")).with_suffix(".py") for module in own}
    assert all(file.exists() for file in own_files)
    own_names = {f"wearscope.{module}" for module in own}
    return {
        str(source.relative_to(ROOT.parent))
        for source in sources
        if source not in own_files and (name in texts_in(source) or own_names & imported_by(source))
    }


@pytest.mark.parametrize(
    ("quantity", "estimator"), [("edge_roughness", "wear.roughness"), ("tear_out_max", "wear.tear_out")]
)
def test_a_quantity_touches_three_files_besides_its_estimator(quantity, estimator):
    # what it is; the call of its estimator; words, where it has a reason that no other has
    words = {"wearscope/report/reason_words.py"}
    its_sheet = {"wearscope/report/sheets/part.py"} if quantity == "tear_out_max" else set()
    assert len(told_in(quantity, estimator) - its_sheet | words) <= 3


def test_most_quantities_are_named_where_they_are_said_and_estimated_alone():
    # what is headline, of the photo or of the profile has more said of it; that is no duty of a new one
    plain = {"wear_land_max", "coating_setback", "edge_roughness", "tear_out_max", "tear_out_share"}
    assert plain <= set(QUANTITIES)
    for quantity in plain:
        places = told_in(quantity)
        assert len(places) == 2, (quantity, places)
        assert "wearscope/quantities/quantity.py" in places


@pytest.mark.parametrize(
    ("view", "way"),
    [("profile", ("pipeline.section_view",)), ("part", ("pipeline.part_view", "report.sheets.part"))],
)
def test_a_view_touches_three_files_besides_its_way_and_its_sheet(view, way):
    # what it and its quantities are; the registry of ways; words, where it has a reason that no other has
    sheet = {"wearscope/report/sheets/section.py"} if view == "profile" else set()
    assert len(told_in(view, *way) - sheet | {"wearscope/report/reason_words.py"}) <= 3


def test_no_view_is_compared_by_name_elsewhere():
    for view in VIEW_LABELS:
        assert len(told_in(view)) <= 3, view


def test_wear_knows_nothing_of_imaging():
    for source in (ROOT / "wear").rglob("*.py"):
        beyond = {name for name in imported_by(source) if name.startswith("wearscope.")}
        allowed = ("wearscope.wear", "wearscope.light", "wearscope.metrology", "wearscope.quantities")
        assert {name for name in beyond if not name.startswith(allowed)} == set(), source


def test_nothing_imports_the_command_line_or_the_viewer():
    for source in SOURCES:
        if source.parent.name == "cli" or source.name == "__main__.py":
            continue
        for name in imported_by(source):
            assert not name.startswith(("wearscope.cli", "wearscope_napari", "napari")), source


def test_what_the_viewer_computes_needs_no_window():
    plugin = ROOT.parent / "plugins" / "wearscope_napari"
    if not plugin.is_dir():
        pytest.skip("not a checkout")
    for name in ("coordinates", "layers", "session"):
        for imported in imported_by(plugin / f"{name}.py"):
            assert not imported.startswith(("napari", "qtpy", "vispy", "matplotlib")), name


def test_imaging_and_wear_know_nothing_of_trials_and_logs():
    for folder in ("wear", "imaging"):
        for source in (ROOT / folder).rglob("*.py"):
            for name in imported_by(source):
                assert not name.startswith(("wearscope.trial", "wearscope.log", "wearscope.report")), source


@pytest.mark.parametrize(
    ("module", "heavy"),
    [
        ("wearscope", (*DISPLAY, "matplotlib")),
        seldom("wearscope.pipeline.inspect", (*DISPLAY, "matplotlib")),
        ("wearscope.pipeline.run", DISPLAY),
    ],
)
def test_importing_pulls_in_no_display_and_says_nothing(module, heavy):
    code = (
        f"import warnings, logging, sys; before = list(warnings.filters); import {module}\n"
        f"print([name for name in {heavy} if name in sys.modules])\n"
        "print(logging.getLogger().handlers, [f for f in warnings.filters if 'wearscope' in repr(f)])"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT.parent, timeout=120
    )
    assert done.stdout.splitlines() == ["[]", "[] []"]
    assert done.stderr == ""


def test_files_and_functions_are_small():
    large = [source for source in SOURCES if len(source.read_text(encoding="utf-8").splitlines()) > 500]
    for source in SOURCES:
        if source.relative_to(ROOT).parts[0] not in ("wear", "imaging", "light"):
            continue
        for node in parsed(source):
            if isinstance(node, ast.FunctionDef):
                described = len((ast.get_docstring(node) or "").splitlines())
                if node.end_lineno - node.lineno + 1 - described > 60:
                    large.append((source, node.name))
    assert large == []


def test_everything_public_is_described():
    things = dict(public_things())
    assert len(things) > 150
    assert [name for name, thing in things.items() if not (thing.__doc__ or "").strip()] == []


# What a field without a unit in its name may measure: angles in radians, shares, counts and factors
UNITLESS = (
    "angle", "tilt", "roughness", "share", "loss", "correlation", "expected", "zoom", "misfit", "factor", "coverage",
    "evidence", "level", "saturation", "grain", "contrast", "significance", "height", "smallest", "value", "price",
    "std_uncertainty", "u", "low95", "high95", "stray_share", "unreadable", "ratio", "unsure", "unequal", "u_scale", "u_scale_along", "u_mirror", "u_log_tint", "steepness",
    "dof", "gain", "reduction", "span", "limit", "strain", "sensitivity", "symmetric", "shortest", "tolerance", "d_low", "d_high", "tail", "tint", "rough_round", "rough_axial", "longer", "one_sidedness",
    "k1", "k2", "u_corner", "weight",
)  # fmt: skip
UNITS = ("um", "mm", "px", "deg", "mpx", "percent", "s", "per_mm")


def test_lengths_say_their_unit():
    """A number in a dataclass carries its unit in its name, or is one of the few kinds that have none."""
    bare = []
    for name, thing in public_things():
        if not dataclasses.is_dataclass(thing) or not name.startswith(
            ("wearscope.wear.", "wearscope.light.", "wearscope.imaging.", "wearscope.metrology.")
        ):
            continue
        if name.startswith("wearscope.metrology.repeat"):
            continue  # in the unit of whatever quantity is studied
        for field in dataclasses.fields(thing):
            if str(field.type) not in ("float", "float | None", "tuple[float, float]", "Array"):
                continue
            name_of = field.name.removesuffix("_x").removesuffix("_y")
            if not name_of.endswith(tuple(f"_{unit}" for unit in UNITS)) and not any(
                word == name_of or name_of.endswith(f"_{word}") for word in UNITLESS
            ):
                bare.append(f"{name}.{field.name}")
    assert set(bare) <= {
        # colours and light, which have no unit here, and directions
        "wearscope.wear.coating_colour.CoatingColour.mean",
        "wearscope.wear.coating_colour.CoatingColour.inverse_covariance",
        "wearscope.wear.coating_colour.UsualColour.departure",
        "wearscope.wear.coating_colour.UsualColour.far",
        "wearscope.light.known.LightPrior.tint",
        "wearscope.light.projection.Observed.light",
        "wearscope.light.projection.Observed.u_light",
        "wearscope.light.projection.Observed.background",
        "wearscope.light.projection.Projection.residuals",
        "wearscope.light.projection.Projection.slopes",
        "wearscope.light.projection.Projection.strengths",
        "wearscope.light.ring.RingFit.ring_light",
        "wearscope.light.ring.RingFit.card_light",
        "wearscope.imaging.calibration.pin_profile.PinProfile.light",
        "wearscope.imaging.calibration.pin_profile.PinProfile.u_light",
        "wearscope.light.zone_light.MeanLight.light",
        "wearscope.light.zone_light.MeanLight.u_light",
        "wearscope.imaging.edge_line.EdgeLine.direction",
        "wearscope.imaging.edge_line.EdgeLine.inward",
        "wearscope.wear.place.PlaceOnPhoto.along",
        "wearscope.wear.land_lines.LightLine.step",
        "wearscope.wear.land_lines.LightLine.cover",
        "wearscope.wear.land_lines.LightLine.slope",
        "wearscope.wear.tip_outline.TipModel.points",
        "wearscope.wear.place.PlaceOnPhoto.inward",
        "wearscope.imaging.edge_lines.TracedPath.columns",
        "wearscope.imaging.calibration.ruling.Ruling.gradient",
        "wearscope.imaging.edge_lines.TracedPath.rows",
        "wearscope.imaging.edge_map.ProposedLine.inward",
        # fits of a ruled scale, in divisions and powers of pixels
        "wearscope.imaging.calibration.axes.Axes.cov",
        "wearscope.imaging.calibration.fit.NumberFunction.coef",
        "wearscope.imaging.calibration.fit.NumberFunction.cov",
        "wearscope.imaging.calibration.fit.NumberFunction.weight",
        "wearscope.imaging.calibration.numbering.Numbering.off",
        "wearscope.imaging.calibration.ruling.Ruling.cov",
        "wearscope.imaging.section_tip.Corner.flank_a",
        "wearscope.imaging.section_tip.Corner.flank_b",
        "wearscope.wear.band_light.BandLight.band",
        "wearscope.wear.land_borders.LandBorders.shown",
        "wearscope.wear.land_borders.Reading.noise",
    }
