"""Train the edge net on drawn scenes alone, and write it as ONNX.

    python sample_images/scenes/train.py OUT_FOLDER MINUTES [--workers 15] [--batch 128] [--start CHECKPOINT.pt]

Processes draw scenes without end into a pool on the training device; each step takes a random batch from the pool,
turned and mirrored. The seeds of scenes, weights and order are fixed; how many scenes and steps fit into the minutes
depends on the machine, so a second run gives a net as good, not the same numbers.
"""

from __future__ import annotations

import argparse
import copy
import math
import os
import queue
import time
from pathlib import Path

import cv2
import numpy as np
import torch
import torch.multiprocessing as mp
from net import EdgeNet
from scene import Scene, draw
from torch.nn import functional

SIDE, SHEAF = 320, 8
TRAINING, HELD_OUT = 1, 2  # first number of a scene's seed; tests take 3
RATE, DECAY, KEEP = 3e-3, 1e-4, 0.998
BAND = 0.02  # of the labelled line, from which the normal is learned


def packed(scene: Scene) -> np.ndarray:
    """Scene as (H, W, 8) bytes: picture, edge, weight, tool, normal."""
    maps = np.stack([scene.edge, scene.weight, scene.tool], axis=-1)
    normal = np.rint(scene.inward * 127 + 128)
    return np.concatenate([scene.picture, np.rint(maps * 255), normal], axis=-1).astype(np.uint8)


def drawing(
    first: int, worker: int, start: int, free: mp.Queue, full: mp.Queue, sheaves: torch.Tensor
) -> None:
    """Draw scenes into free sheaves until told None."""
    cv2.setNumThreads(1)
    torch.set_num_threads(1)
    os.nice(10)  # the one that trains goes first
    number = start
    while (slot := free.get()) is not None:
        for k in range(SHEAF):
            sheaves[slot, k] = torch.from_numpy(packed(draw((first, worker, number), SIDE)))
            number += 1
        full.put(slot)


def unpacked(batch: torch.Tensor) -> tuple[torch.Tensor, ...]:
    """Picture, edge, weight, tool (N, ., H, W in 0 to 1) and normal (-1 to 1) of packed scenes."""
    x = batch.permute(0, 3, 1, 2).float()
    return x[:, :3] / 255, x[:, 3:4] / 255, x[:, 4:5] / 255, x[:, 5:6] / 255, (x[:, 6:8] - 128) / 127


def varied(batch: torch.Tensor, random: np.random.Generator) -> tuple[torch.Tensor, ...]:
    """Turn, mirror and recolour a batch, by quarters of it."""
    parts = []
    for part in batch.chunk(4):
        picture, edge, weight, tool, normal = unpacked(part)
        maps = torch.cat([picture, edge, weight, tool, normal], dim=1)
        turns, mirrored = int(random.integers(4)), bool(random.integers(2))
        if mirrored:
            maps = maps.flip(3)
            maps[:, 6] = -maps[:, 6]
        for _ in range(turns):  # a quarter turn takes (column, row) to (row, -column)
            maps = torch.rot90(maps, 1, (2, 3))
            maps[:, 6:8] = torch.stack([maps[:, 7], -maps[:, 6]], dim=1)
        parts.append(maps)
    maps = torch.cat(parts)
    n, device = len(maps), maps.device
    picture = maps[:, torch.from_numpy(random.permutation(3)).to(device)]
    power = torch.exp(torch.randn(n, 1, 1, 1, device=device) * 0.2)
    picture = picture.clamp(1e-4, 1) ** power * torch.exp(torch.randn(n, 3, 1, 1, device=device) * 0.07)
    grey = picture.mean(1, keepdim=True)
    picture = torch.where(torch.rand(n, 1, 1, 1, device=device) < 0.1, grey, picture)
    picture = picture + torch.randn_like(picture) * (torch.rand(n, 1, 1, 1, device=device) ** 3 * 0.05)
    return picture.clamp(0, 1), maps[:, 3:4], maps[:, 4:5], maps[:, 5:6], maps[:, 6:8]


def loss_of(
    out: torch.Tensor, edge: torch.Tensor, weight: torch.Tensor, tool: torch.Tensor, normal: torch.Tensor
) -> tuple[torch.Tensor, ...]:
    """Losses of edge, normal and tool."""
    logits = out[:, :1]
    point = (
        functional.binary_cross_entropy_with_logits(logits, edge, reduction="none") * weight * (1 + 6 * edge)
    )
    probability = torch.sigmoid(logits) * weight
    shared = (probability * edge).sum((1, 2, 3))
    dice = 1 - (2 * shared + 20) / (
        probability.pow(2).sum((1, 2, 3)) + (edge * weight).pow(2).sum((1, 2, 3)) + 20
    )
    near = (edge > BAND).float() * weight
    side = (((out[:, 1:3] - normal) ** 2).sum(1, keepdim=True) * near).sum() / (near.sum() + 1)
    body = functional.binary_cross_entropy_with_logits(out[:, 3:], tool)
    return point.mean() * 10 + dice.mean(), side, body


@torch.no_grad()
def score(model: EdgeNet, held_out: torch.Tensor) -> str:
    """Losses on held-out scenes, and how the strongest places of the map do."""
    model.eval()
    totals = np.zeros(3)
    hit = sided = seen = false = blank = 0
    for batch in held_out.split(64):
        picture, *labels = unpacked(batch)
        out = model(picture).float()
        totals += [float(v) * len(batch) for v in loss_of(out, *labels)]
        edge, normal = labels[0], labels[3]
        probability = torch.sigmoid(out[:, 0])
        for k in range(len(batch)):
            strong = probability[k] > 0.4
            if edge[k].max() < 0.5:
                blank += 1
                false += int(strong.sum() > 0.3 * SIDE)
                continue
            seen += 1
            right = float((edge[k, 0][strong] > 0.1).float().mean()) if strong.sum() > 0.3 * SIDE else 0.0
            hit += right > 0.7
            where = strong & (edge[k, 0] > 0.1)
            if where.any():
                sided += float((out[k, 1:3] * normal[k]).sum(0)[where].mean()) > 0
    model.train()
    n = len(held_out)
    losses = "edge {:.4f} normal {:.4f} tool {:.4f}".format(*(totals / n))
    return f"loss {losses}; edge {hit}/{seen}, side {sided}/{seen}, false {false}/{blank}"


def exported(model: EdgeNet, folder: Path) -> None:
    """Write the net as ONNX, its weights, and inputs with outputs to check a reader against."""
    plain = copy.deepcopy(model).float().cpu().eval()
    example = torch.zeros(1, 3, 96, 128)
    axes = {0: "n", 2: "h", 3: "w"}
    torch.onnx.export(
        plain, (example,), str(folder / "edge_map.onnx"), input_names=["picture"], output_names=["maps"],
        dynamic_axes={"picture": axes, "maps": axes}, opset_version=17, dynamo=False,
    )  # fmt: skip
    torch.save(plain.state_dict(), folder / "edge_map.pt")
    number = 0
    while not (scene := draw((HELD_OUT, 999, number), 96)).has_edge:
        number += 1
    picture = scene.picture[:64]
    with torch.no_grad():
        maps = plain(torch.from_numpy(picture).permute(2, 0, 1)[None].float() / 255)[0].numpy()
    np.savez_compressed(
        folder / "edge_map_outputs.npz", picture=picture, every=np.int64(4), maps=maps[:, ::4, ::4]
    )


def main() -> None:
    """Train."""
    parser = argparse.ArgumentParser(description="Train the edge net on drawn scenes.")
    parser.add_argument("folder", type=Path)
    parser.add_argument("minutes", type=float)
    parser.add_argument("--workers", type=int, default=15)
    parser.add_argument("--batch", type=int, default=128)
    parser.add_argument("--pool", type=int, default=40000)
    parser.add_argument("--held-out", type=int, default=480)
    parser.add_argument("--start", type=Path)
    parser.add_argument("--from-scene", type=int, default=0)
    options = parser.parse_args()
    began = time.monotonic()
    slots = 6 * options.workers
    sheaves = torch.empty((slots, SHEAF, SIDE, SIDE, 8), dtype=torch.uint8).share_memory_()
    context = mp.get_context("fork")
    free, full, held_free, held_full = (context.Queue() for _ in range(4))
    held_sheaves = torch.empty(
        (options.held_out // SHEAF, SHEAF, SIDE, SIDE, 8), dtype=torch.uint8
    ).share_memory_()
    for slot in range(slots):
        free.put(slot)
    for slot in [*range(len(held_sheaves)), None]:
        held_free.put(slot)
    processes = [
        context.Process(
            target=drawing, args=(TRAINING, k, options.from_scene, free, full, sheaves), daemon=True
        )
        for k in range(options.workers)
    ]
    processes.append(
        context.Process(
            target=drawing, args=(HELD_OUT, 0, 0, held_free, held_full, held_sheaves), daemon=True
        )
    )
    for process in processes:
        process.start()

    torch.manual_seed(20260101)
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    torch.backends.cudnn.benchmark = True
    model = EdgeNet().to(device, memory_format=torch.channels_last)
    print("weights:", sum(p.numel() for p in model.parameters()), "device:", device, flush=True)
    if options.start:
        model.load_state_dict(torch.load(options.start, map_location=device))
    averaged = copy.deepcopy(model).eval()
    pairs = zip(averaged.state_dict().values(), model.state_dict().values(), strict=True)
    means, weights = zip(
        *[(mine, theirs) for mine, theirs in pairs if mine.dtype.is_floating_point], strict=True
    )
    optimiser = torch.optim.AdamW(model.parameters(), lr=RATE, weight_decay=DECAY)
    pool = torch.empty((options.pool, SIDE, SIDE, 8), dtype=torch.uint8, device=device)
    random = np.random.default_rng(20260102)
    drawn = step = 0
    told = time.monotonic()

    def take(wait: bool) -> None:
        nonlocal drawn
        slot = full.get() if wait else full.get_nowait()
        at = drawn % options.pool
        pool[at : at + SHEAF] = sheaves[slot].to(device)
        drawn += SHEAF
        free.put(slot)

    while drawn < min(24 * options.batch, options.pool):
        take(True)
    print(f"first scenes after {time.monotonic() - began:.0f} s", flush=True)
    learning_from = time.monotonic()
    whole = options.minutes * 60 - (learning_from - began)
    while (share := (time.monotonic() - learning_from) / whole) < 1:
        try:
            while True:
                take(False)
        except queue.Empty:
            pass
        rate = RATE * (0.4 if options.start else 1.0) * min(1, step / 300 + 0.02)
        rate *= 0.5 * (1 + math.cos(math.pi * share))
        for group in optimiser.param_groups:
            group["lr"] = rate
        chosen = torch.from_numpy(random.integers(0, min(drawn, options.pool), options.batch)).to(device)
        picture, *labels = varied(pool[chosen], random)
        with torch.autocast(device.type, torch.bfloat16, enabled=device.type == "cuda"):
            out = model(picture.contiguous(memory_format=torch.channels_last))
        edge, side, body = loss_of(out.float(), *labels)
        loss = edge + 0.5 * side + 0.3 * body
        optimiser.zero_grad(set_to_none=True)
        loss.backward()
        torch.nn.utils.clip_grad_norm_(model.parameters(), 2.0)
        optimiser.step()
        step += 1
        keep = min(KEEP, step / (step + 20))
        with torch.no_grad():
            torch._foreach_lerp_(means, weights, 1 - keep)
        if time.monotonic() - told > 30:
            told = time.monotonic()
            losses = " ".join(f"{float(one.detach()):.3f}" for one in (edge, side, body))
            print(f"{told - began:.0f} s step {step} scenes {drawn} loss {losses}", flush=True)
    for process in processes[:-1]:
        process.terminate()
    processes[-1].join()
    print(f"{step} steps, {drawn} scenes", flush=True)
    print("held out:", score(averaged, held_sheaves.flatten(0, 1).to(device)), flush=True)
    exported(averaged, options.folder)


if __name__ == "__main__":
    main()
