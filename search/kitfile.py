"""Kits on disk and on the command line: by rank in a job, by parts, or by a kit file."""

from __future__ import annotations

import os
import re
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path

from catalog.errors import InputError, Problem
from catalog.job import Job
from catalog.jobfile import SlotIds
from catalog.reading import Strict, Text, read_document, validate
from catalog.slots import SLOT_FAMILIES
from search.ranking import RankedKit, Ranking, rank
from search.space import SLOTS, Kit, fitted_kit, kit_from_texts

__all__ = ["KitFile", "check_folder", "find_kit", "save_kits", "write_text"]


class KitSlots(SlotIds):
    """Slots of a kit file; twist as `--lock` takes it."""

    twist: Text


class KitFile(Strict):
    """A kit file, as `kitwright rank --save` writes it."""

    note: Text = ""
    kit: KitSlots


def kit_file_text(job: Job, ranked: RankedKit, ranking: Ranking) -> str:
    """A ranked kit as the text of a kit file."""
    words = ranked.kit.words()
    descriptions = {
        slot: part.description
        for slot, family in SLOT_FAMILIES.items()
        if (part := job.shelf.family(family).get(words[slot])) is not None
    }
    lines = [
        f"# Rank {ranked.rank} of {job.file.name}, score {ranked.score:.3f}; {ranking.guarantee}.",
        f"# Inputs: job {ranking.inputs['job']}, machine {ranking.inputs['machine']}, "
        f"catalogue {ranking.inputs['catalogue']}.",
        "kit:",
    ]
    for slot in SLOTS:
        note = f"  # {descriptions[slot]}" if slot in descriptions else ""
        lines.append(f'  {slot}: "{words[slot]}"{note}')
    return "\n".join(lines) + "\n"


def save_kits(job: Job, ranking: Ranking, folder: Path, *, overwrite: bool = False) -> None:
    """Write every listed kit as kit-1.yaml, kit-2.yaml, …; kit files of an earlier search are replaced.

    Raises
    ------
    InputError
        As `check_folder`, or if a file cannot be written.
    """
    check_folder(folder, overwrite=overwrite)
    width = len(str(len(ranking.kits)))
    texts = {f"kit-{kit.rank:0{width}}.yaml": kit_file_text(job, kit, ranking) for kit in ranking.kits}
    for name, text in texts.items():
        write_text(folder / name, text)
    for old in kit_files(folder):
        if old.name not in texts:
            old.unlink()


def kit_files(folder: Path) -> list[Path]:
    """Files in a folder that bear the name of a saved kit."""
    return [
        file for file in folder.glob("kit-*.yaml") if re.fullmatch(r"kit-[0-9]+\.yaml", file.name) and file.is_file()
    ]


def check_folder(folder: Path, *, overwrite: bool) -> None:
    """Whether kits can be saved in a folder; asked before a long search, too.

    Raises
    ------
    InputError
        If kits are saved there already and `overwrite` is not set, or the path is a file.
    """
    if folder.exists() and not folder.is_dir():
        raise InputError([Problem(str(folder), 0, 0, "", "not a folder", hint="name a folder to save kits in.")])
    there = kit_files(folder)
    if there and not overwrite:
        message = f"{len(there)} kit files are here already" if len(there) > 1 else "a kit file is here already"
        raise InputError([Problem(str(folder), 0, 0, "", message, hint="choose another folder, or --overwrite.")])


def write_text(file: Path, text: str) -> None:
    """Write a file whole or not at all.

    Raises
    ------
    InputError
        If it cannot be written.
    """
    part = file.with_name(f".{file.name}.{os.getpid()}")
    try:
        file.parent.mkdir(parents=True, exist_ok=True)
        part.write_text(text, encoding="utf-8")
        part.replace(file)
    except OSError as error:
        with suppress(OSError):
            part.unlink(missing_ok=True)
        raise InputError(
            [Problem(str(file), 0, 0, "", f"cannot be written: {error.strerror}", hint="check folder and permissions.")]
        ) from None


def find_kit(job: Job, name: str, ranked: Mapping[int, Kit] | None = None) -> Kit:
    """The kit that a word on the command line means.

    Parameters
    ----------
    job : Job
    name : str
        "fitted"; a rank in this job, "3"; parts, "helix=ramp-40,twist=20 deg" with what is fitted elsewhere; or a
        kit file.
    ranked : mapping of rank -> Kit, optional
        Ranks known already.

    Raises
    ------
    InputError
        If the word means no kit.
    """
    if name == "fitted":
        return fitted_kit(job)
    forms = "a rank, slot=id,…, 'fitted' or a kit file"
    if not name.strip():
        raise InputError([Problem("KIT", 0, 0, "", "no kit named", "nothing", forms)])
    if re.fullmatch(r"[0-9]{1,6}", name):
        position = int(name)
        if ranked and position in ranked:
            return ranked[position]
        kits = rank(job, top=position).kits if position else ()
        if len(kits) < position or not position:
            raise InputError(
                [Problem("KIT", 0, 0, "", "no such rank", name, f"1 to {len(kits)}" if kits else "1 or more")]
            )
        return kits[position - 1].kit
    if "=" in name and not Path(name).exists():
        texts: dict[str, str] = {}
        for piece in name.split(","):
            slot, found, text = piece.partition("=")
            if not found:
                raise InputError([Problem("KIT", 0, 0, "", "not a part choice", repr(piece), "slot=id,slot=id")])
            texts[slot.strip()] = text.strip()
        return kit_from_texts(job, texts, "KIT")
    file = Path(name)
    if not file.exists():
        raise InputError([Problem("KIT", 0, 0, "", "no such kit or file", repr(name), forms)])
    document = read_document(file)
    slots = validate(document, KitFile).kit
    return kit_from_texts(job, {slot: getattr(slots, slot) for slot in SLOTS}, name, document)
