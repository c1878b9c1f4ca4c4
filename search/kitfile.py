"""Kits on disk and on the command line: by rank in a job, by parts, or by a kit file."""

from __future__ import annotations

import os
import re
from collections.abc import Mapping
from pathlib import Path

from catalog.errors import InputError, Problem
from catalog.job import Job
from catalog.jobfile import slot_model
from catalog.reading import Id, Strict, Text, read_document, validate
from catalog.slots import SLOT_FAMILIES, SLOTS
from catalog.wording import printable
from search.ranking import RankedKit, Ranking, rank
from search.saving import MARK, claimed, is_ours, make_folder, write_set
from search.space import Kit, fitted_kit, kit_from_texts

__all__ = ["KitFile", "check_folder", "find_kit", "save_kits"]

_KIT_FILE = re.compile(r"kit-([0-9]+)\.yaml")


class _Settings(Strict):
    """What a kit file holds beside its parts: twist as `--lock` takes it; the belt, if it is not the fitted one."""

    twist: Text
    belt: Id | None = None


KitSlots = slot_model("KitSlots", _Settings)


class KitFile(Strict):
    """A kit file, as `kitwright rank --save` writes it."""

    note: Text = ""
    kit: KitSlots  # type: ignore[valid-type]  # made from the table of slots


def kit_file_text(job: Job, ranked: RankedKit, ranking: Ranking) -> str:
    """A ranked kit as the text of a kit file."""
    words = ranked.kit.words()
    descriptions = {
        slot: part.description
        for slot, family in SLOT_FAMILIES.items()
        if (part := job.shelf.family(family).get(words[slot])) is not None
    }
    lines = [
        MARK,
        f"# Rank {ranked.rank} of {printable(job.file.name)}, score {ranked.score:.3f}; {ranking.guarantee}.",
        f"# Inputs: job {ranking.inputs['job']}, machine {ranking.inputs['machine']}, "
        f"catalogue {ranking.inputs['catalogue']}.",
        "kit:",
    ]
    for slot in SLOTS:
        note = f"  # {printable(descriptions[slot])}" if slot in descriptions else ""
        lines.append(f'  {slot}: "{words[slot]}"{note}')
    return "\n".join(lines) + "\n"


def check_folder(job: Job, folder: Path, *, most: int, overwrite: bool) -> None:
    """Whether kits can be saved in a folder; asked before a long search.

    Parameters
    ----------
    job : Job
    folder : Path
        Need not be there.
    most : int
        Ranks that are sure to be written, or as many as there are kits.
    overwrite : bool
        Whether kit files of an earlier search may be replaced.

    Raises
    ------
    InputError
        If the path is a file; if kits are saved there already and `overwrite` is not set; if a file that is not ours to
        replace is in the way of these ranks; if the folder cannot be written to.
    """
    if os.path.lexists(folder) and not folder.is_dir():
        raise InputError([Problem(str(folder), 0, 0, "", "not a folder", hint="name a folder to save kits in.")])
    if folder.exists():
        with claimed(folder):
            _replaceable(job, folder, most, overwrite)


def save_kits(job: Job, ranking: Ranking, folder: Path, *, overwrite: bool = False) -> None:
    """Write every listed kit as kit-1.yaml, kit-2.yaml, …; kit files of an earlier search are replaced.

    All of them appear together or none does, and nothing is touched where no kit is listed.

    Raises
    ------
    InputError
        As `check_folder`, or if a file cannot be written.
    """
    if not ranking.kits:
        return
    width = len(str(len(ranking.kits)))
    texts = {f"kit-{kit.rank:0{width}}.yaml": kit_file_text(job, kit, ranking) for kit in ranking.kits}
    make_folder(folder)
    with claimed(folder):
        old = _replaceable(job, folder, len(texts), overwrite)
        write_set(folder, texts, [name for name in old if name not in texts])


def _replaceable(job: Job, folder: Path, most: int, overwrite: bool) -> list[str]:
    """Names of the kit files of an earlier search, all of them ours to replace."""
    named = {file: int(found[1]) for file in folder.iterdir() if (found := _KIT_FILE.fullmatch(file.name))}
    if any(path.samefile(folder) for path in job.shelf.folders if path.exists()):
        message = "this job reads its catalogue from this folder, and would read kit files as parts"
        raise InputError([Problem(str(folder), 0, 0, "", message, hint="name another folder to save kits in.")])
    if named and not overwrite:
        message = f"{len(named)} kit files are here already" if len(named) > 1 else "a kit file is here already"
        raise InputError([Problem(str(folder), 0, 0, "", message, hint="choose another folder, or --overwrite.")])
    read = {(status.st_dev, status.st_ino) for status in map(os.stat, filter(Path.exists, _inputs(job)))}
    problems, old = [], []
    for file, rank_of in named.items():
        status = file.lstat()
        why = ""
        if (status.st_dev, status.st_ino) in read:
            why = "this job reads it"
        elif not is_ours(file):
            why = "kitwright rank did not write it"
        if not why:
            old.append(file.name)
        elif 1 <= rank_of <= most:
            message = f"in the way of the kits to save, but {why}"
            problems.append(Problem(str(file), 0, 0, "", message, hint="move it, or choose another folder."))
    if problems:
        raise InputError(problems)
    return old


def _inputs(job: Job) -> list[Path]:
    """Every file that a job was read from."""
    machine = job.file.parent / job.spec.machine
    return [job.file, machine, machine.parent / job.machine.engine.curve, *job.shelf.files]


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
        ranking = rank(job, top=position) if position else None
        if ranking is not None and ranking.stopped:
            raise KeyboardInterrupt  # a rank among some of the kits means nothing
        kits = ranking.kits if ranking is not None else ()
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
            if slot.strip() in texts:
                raise InputError([Problem("KIT", 0, 0, slot.strip(), "named twice", repr(name), "each slot once")])
            texts[slot.strip()] = text.strip()
        return kit_from_texts(job, texts, "KIT")
    file = Path(name)
    if not file.exists():
        raise InputError([Problem("KIT", 0, 0, "", "no such kit or file", repr(name), forms)])
    document = read_document(file)
    slots = validate(document, KitFile).kit
    texts = {slot: getattr(slots, slot) for slot in SLOTS}
    return kit_from_texts(job, {slot: text for slot, text in texts.items() if text is not None}, name, document)
