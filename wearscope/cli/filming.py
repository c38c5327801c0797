"""The command frames."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import Annotated

import typer

from wearscope.cli.common import (
    OK,
    REFUSED,
    CommandLineError,
    JsonOption,
    TrialArgument,
    complain,
    load,
    print_json,
    require_file,
)
from wearscope.cli.terminal import say
from wearscope.quantities.views import RELIEF


def frames(
    video: Annotated[Path, typer.Argument(metavar="VIDEO", help="The recording, one flute after the other.")],
    trial: TrialArgument = None,
    bit: Annotated[
        str, typer.Option(metavar="NAME", help="Bit that is seen first; by default the first.")
    ] = "",
    flute: Annotated[int, typer.Option(min=1, metavar="N", help="Flute that is seen first.")] = 1,
    parts: Annotated[int, typer.Option(min=0, metavar="N", help="Parts cut so far; 0 for new bits.")] = 0,
    view: Annotated[str, typer.Option(metavar="VIEW", help="What is seen of them.")] = RELIEF.key,
    scale: Annotated[str, typer.Option(metavar="NAME", help="Scale; by default the trial's first.")] = "",
    as_json: JsonOption = False,
) -> None:
    """Pick the sharpest still frame of each flute from a recording, and file it as a photo of the trial.

    Hold the microscope still over each flute for a second, in the order of the trial. Each still is judged as check
    and measure would; one that cannot be measured is not filed.
    """
    from wearscope.quantities.views import VIEWS

    if view not in VIEWS:
        raise CommandLineError(f"--view is {view}", f"give one of {', '.join(VIEWS)}")
    require_file(video)
    loaded = load(trial, photos_to_come=True)
    bits, scales = [one.name for one in loaded.bits], [one.name for one in loaded.scales]
    for option, given, known in (("--bit", bit, bits), ("--scale", scale, scales)):
        if given and given not in known:
            raise CommandLineError(f"{option} is {given}", f"give one of {', '.join(known)}")
    from wearscope.live.filing import Place
    from wearscope.live.stills import frames_of, places_from, stills
    from wearscope.live.taking import still, take
    from wearscope.pipeline.sources import read_scales

    read, refusals = read_scales(loaded)
    complain(refusals.values())
    left = places_from(loaded, Place(bit or bits[0], flute, parts, VIEWS[view].key, scale or scales[0]))
    found, n_refused = [], 0
    with tempfile.TemporaryDirectory() as folder:
        for one in stills(frames_of(video)):
            if not left:
                complain([f"frame {one.frame.number}: the trial has no flute left for it; it is not filed"])
                n_refused += 1
                continue
            place = left.pop(0)
            picture = still(one.frame, Path(folder) / f"frame-{one.frame.number}.png")
            taken = take(loaded, picture, place, read)
            loaded = taken.trial
            file = None if taken.photo is None else taken.photo.file
            n_refused += file is None
            found.append(
                {
                    "frame": one.frame.number,
                    "bit": place.bit,
                    "flute": place.flute,
                    "parts": place.parts,
                    "file": file,
                    "remarks": list(taken.verdict.lines),
                }
            )
            if not as_json:
                become = f"filed as {file}" if file else f"not filed: {taken.verdict.lines[0]}"
                say(f"frame {one.frame.number}: {place.bit}, flute {place.flute}, {become}")
    if as_json:
        print_json({"frames": found})
    if not found:
        complain([f"{video}: nowhere does the camera stand still over a flute; hold it still for a second"])
    raise typer.Exit(REFUSED if n_refused or not found else OK)
