#!/usr/bin/env python3
"""Random cases for the judge, with the answers of the reference judge.

    judge_cases.py FOLDER FIRST_SEED COUNT

writes FOLDER/SEED/{pile.toml,readings.csv,log.csv,expected.json} for each seed. One case in eight has a file that
cannot be read; its `expected.json` names the file and the line or the key.
"""

import json
import os
import sys

from case_scene import Scene
from case_spoiled import Spoiler
from case_stories import tell
from judge_files import MINUTE, Unreadable, format_time
from judge_reference import judge_files

FILES = ("pile.toml", "readings.csv", "log.csv")


class Writer:
    """The files of a scene, in one of the many ways in which they may be written."""

    def __init__(self, scene):
        self.scene = scene
        self.time_style = scene.one("plain", "plain", "plain", "epoch", "offset", "fraction")
        self.quoted_share = scene.one(0, 0, 0, 0.05, 1)
        self.blank_share = scene.one(0, 0, 0, 0.05)
        self.line_end = scene.one("\n", "\n", "\n", "\r\n")
        self.byte_order_mark = scene.chance(0.06)
        self.last_line_open = scene.chance(0.1)

    def lines(self, header, rows):
        lines = [header + self.line_end]
        for at, *fields in rows:
            if self.scene.chance(self.blank_share):
                lines.append(self.line_end)
            lines.append(",".join([self.time(at), *map(self.field, fields)]) + self.line_end)
        return lines

    def time(self, at):
        style = self.time_style
        if self.scene.chance(0.05):
            style = self.scene.one("plain", "epoch", "offset", "fraction")
        if style == "epoch":
            return str(at)
        offset = self.scene.one(-240, -240, 120, 330, -210, 0) if style == "offset" else None
        text = format_time(at + (offset or 0) * MINUTE).removesuffix("Z")
        if style == "fraction" and self.scene.chance(0.5):
            text += self.scene.one("9", "99999", "5", "0")
        elif style != "fraction":
            text = text.removesuffix(".000")
        if offset is None:
            return text + "Z"
        return text + f"{'-' if offset < 0 else '+'}{abs(offset) // 60:02d}:{abs(offset) % 60:02d}"

    def field(self, text):
        if any(mark in text for mark in ',"\r\n') or self.scene.chance(self.quoted_share):
            return '"' + text.replace('"', '""') + '"'
        return text

    def bytes(self, lines):
        text = "".join(lines)
        if self.last_line_open and len(lines) > 1:
            text = text.removesuffix(self.line_end)
        return (b"\xef\xbb\xbf" if self.byte_order_mark else b"") + text.encode()


def write_case(folder, seed):
    scene = Scene(seed)
    tell(scene)
    writer = Writer(scene)
    pile = scene.pile_lines()
    readings = writer.lines("time,source,value,unit", scene.rows)
    log = writer.lines("time,event,detail", scene.log)
    spoiled = Spoiler(scene, pile, readings, log).spoil() if seed % 8 == 7 else None
    os.makedirs(folder, exist_ok=True)
    contents = ("\n".join(pile).encode() + b"\n", writer.bytes(readings), writer.bytes(log))
    for name, content in zip(FILES, contents):
        with open(os.path.join(folder, name), "wb") as file:
            file.write(content)
    answer = reference_answer(folder)
    if spoiled != refused(answer, spoiled):
        raise SystemExit(f"seed {seed}: spoiled as {spoiled}, but the reference says {str(answer)[:300]}")
    with open(os.path.join(folder, "expected.json"), "w", encoding="utf-8") as file:
        json.dump(spoiled or answer, file, indent=1)
        file.write("\n")


def reference_answer(folder):
    try:
        return judge_files(*(os.path.join(folder, name) for name in FILES))
    except Unreadable as error:
        return {"exit": 2, "file": os.path.basename(error.file), "line": error.line, "key": error.key}


def refused(answer, spoiled):
    """What the reference refuses, in the words of what was spoiled; none for what it judges."""
    if "exit" not in answer:
        return None
    return {key: answer[key] for key in spoiled or answer}


def main():
    folder, first, count = sys.argv[1], int(sys.argv[2]), int(sys.argv[3])
    for seed in range(first, first + count):
        write_case(os.path.join(folder, str(seed)), seed)


if __name__ == "__main__":
    main()
