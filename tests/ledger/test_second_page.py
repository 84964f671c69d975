"""SECOND.md says what the code does, and the other way round."""

from __future__ import annotations

import struct
from pathlib import Path

from tests.blocks.format_page import Page, all_code, code, read_page
from tests.ledger.second_ends import SECRET, Written
from verify.commands.receive import receive
from verify.drill import writing
from verify.ledger import second_channel, second_copy, second_receiver, second_secret, second_sender, second_tail
from verify.ledger.second_channel import HELD, HELLO, MAGIC, MESSAGE_HEAD, PLACE, STATUS, VERSION, Kind
from verify.ledger.second_copy import FOLDERS, RunCopy
from verify.ledger.second_secret import PROOF_CONTEXT, RECEIVER, SENDER, keyed, proof

PAGE: Page = read_page("ledger", "SECOND.md")
LETTERS = {"u8": "B", "u16": "H", "u32": "I", "u64": "Q"}
CODE = (second_channel, second_copy, second_receiver, second_secret, second_sender, second_tail)


def test_the_limits_are_those_of_the_code() -> None:
    (rows,) = PAGE.tables("Limits")
    named = {"SENDER_SILENCE_S": second_receiver.SILENCE_S, "RECEIVER_SILENCE_S": second_sender.SILENCE_S}
    for row in rows:
        name = code(row["name"])
        values = {getattr(module, name) for module in CODE if hasattr(module, name)} or {named[name]}
        assert values == {float(row["value"])}, name


def test_every_kind_of_message_is_listed() -> None:
    (rows,) = PAGE.tables("Messages")
    assert {code(row["kind"]): int(row["number"]) for row in rows} == {kind.name: kind.value for kind in Kind}
    assert MESSAGE_HEAD.format == "<" + "".join(LETTERS[word] for word in ("u32", "u8"))


def test_messages_are_laid_out_as_the_table_says() -> None:
    rows = {code(row["kind"]): row["content"] for row in PAGE.tables("Messages")[0]}
    assert bytes.fromhex(code(rows["HELLO"])) == MAGIC
    assert f"version u8 = {VERSION}" in rows["HELLO"]
    assert HELLO.size == len(MAGIC) + 1 + 32
    layouts = (("HELD", HELD, 32), ("FRAMES", PLACE, 0), ("CONFIRMED", PLACE, 0), ("STATUS", STATUS, 0))
    for name, layout, rest in layouts:
        types = [word.strip(",;") for word in rows[name].split() if word.strip(",;") in LETTERS]
        assert layout.size == struct.calcsize("<" + "".join(LETTERS[word] for word in types)) + rest, name
    assert f"({second_channel.WHOLE_RUN}: the whole run)" in rows["REFUSED"]
    text = " ".join(PAGE.sections["Messages"].split())
    assert f"{second_sender.PAUSE_S_MIN} s later and then at most every {second_sender.PAUSE_S_MAX:.0f} s" in text


def test_a_proof_is_made_of_what_the_table_says() -> None:
    steps, material = PAGE.tables("Encryption and proof")
    assert [code(row["message"]) for row in steps] == ["HELLO", "HELLO", "PROOF", "PROOF"]
    assert [row["who"] for row in steps] == ["sender", "receiver"] * 2
    context, ends = code(material[0]["what"]).encode(), [text.encode() for text in all_code(material[1]["what"])]
    assert (context, ends) == (PROOF_CONTEXT, [SENDER, RECEIVER])
    shown, ours, theirs = (bytes([number]) * 32 for number in (1, 2, 3))
    for end in ends:
        pieces = [context, end, shown, ours, theirs]
        assert [len(piece) for piece in pieces] == [int(row["size"]) for row in material]
        assert proof(SECRET, end, shown, ours, theirs) == keyed(SECRET, b"".join(pieces))


def test_a_copy_holds_what_the_table_says(tmp_path: Path) -> None:
    (rows,) = PAGE.tables("What is kept")
    listed = {name for row in rows for name in all_code(row["name"])}
    written = Written(tmp_path / "guest", 1, 2)
    (tmp_path / "kept").mkdir()
    copy = RunCopy(tmp_path / "kept", written.run_json, "192.0.2.5")
    copy.resume(written.run_json)
    copy.close()
    assert {path.name for path in copy.path.iterdir()} == listed
    assert set(FOLDERS) < listed
    text = " ".join(PAGE.sections["What is kept"].split())
    assert f"every {second_receiver.SYNC_EVERY_S * 1000:.0f} ms" in text
    assert f"up to {writing.SECOND_LEDGER_PATIENCE_S:.0f} s" in " ".join(PAGE.sections["What is not covered"].split())


def test_the_help_says_what_it_does_not_protect_from() -> None:
    text = receive.get_help(receive.make_context("receive", ["--listen", "a:1", "--into", "b", "--secret", "c"]))
    assert "What that does not do" in text
