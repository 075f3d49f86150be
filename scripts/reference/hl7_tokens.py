"""HL7 v2 messages taken apart by another parser, and the made messages it is tried on.

`made.hl7` is written by `make()` from a fixed seed: messages with usual and unusual delimiters, empty and missing parts,
repetitions, components, subcomponents, escapes. `rows()` takes it apart with the `hl7` library, together with the composed
messages beside it.
"""

import random
from pathlib import Path

import hl7
from hl7.util import unescape

COMPOSED = ["observation.hl7", "alarm.hl7", "event.hl7"]
HEADER = ["message", "segment", "field", "repetition", "component", "subcomponent", "text"]
# What the library leaves to the application: marks of highlighting go, a line break is one.
MARKS = {"H": "", "N": "", ".br": "\n"}


def make(path):
    rng = random.Random(20310304)
    letters = "abcXYZ019 .-+/µé"
    messages = []
    for number in range(80):
        field, component, repetition, escape, sub = "|^~\\&" if number % 2 == 0 else rng.sample("|^~\\&#*@!%$;?", 5)

        def leaf():
            text = "".join(rng.choice(letters) for _ in range(rng.randint(0, 6)))
            if rng.random() < 0.25:
                code = rng.choice(["F", "S", "T", "R", "E", "X41", "X4a6B", "H", "N", ".br"])
                text += f"{escape}{code}{escape}" + rng.choice(letters)
            return text

        def some(make_one, sign, most):
            return sign.join(make_one() for _ in range(rng.choice([1, 1, 1, 2, most])))

        def whole_field():
            if rng.random() < 0.3:
                return ""
            one_component = lambda: some(leaf, sub, 3)
            one_repetition = lambda: some(one_component, component, 6)
            return some(one_repetition, repetition, 3)

        segments = [f"MSH{field}{component}{repetition}{escape}{sub}{field}M{number}{field}end"]
        for _ in range(rng.randint(1, 4)):
            fields = [whole_field() for _ in range(rng.randint(0, 9))]
            segments.append(field.join([rng.choice(["OBX", "OBR", "NTE", "ZZ1"]), *fields, "."]))
        messages.append("\r".join(segments) + "\r")
    path.write_bytes("".join(messages).encode())


def messages(folder):
    for name in [*COMPOSED, "made.hl7"]:
        text = (folder / name).read_bytes().decode()
        for part in text.split("MSH")[1:]:
            yield "MSH" + part


def rows(folder):
    """One row for each part that is not empty."""
    found = []
    for m, text in enumerate(messages(Path(folder))):
        message = hl7.parse(text)
        for s, segment in enumerate(message):
            for f, field in enumerate(segment):
                if f == 0 or (s == 0 and f < 3):
                    continue
                for r, repetition in enumerate(as_list(field)):
                    for c, component in enumerate(as_list(repetition)):
                        for n, leaf in enumerate(as_list(component)):
                            leaf = str(leaf)
                            if leaf:
                                plain = unescape(message, leaf, MARKS)
                                found.append([m, s, f, r + 1, c + 1, n + 1, plain])
    return found


def as_list(part):
    """A part that was not divided is its own only one."""
    return part if isinstance(part, list) else [part]
