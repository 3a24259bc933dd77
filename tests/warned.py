"""What the tests of warnings share: whether one comes, for cause, and is told in sentences."""


def codes(found):
    """Codes of the warnings of a measurement that was not refused."""
    assert found.refused is None, found.refused
    return {w.code for w in found.warnings}


def told(found, unharmed, code):
    """The warnings of this code, told in sentences; the unharmed photograph has none of it."""
    assert code not in codes(unharmed)
    assert code in codes(found)
    notes = [w for w in found.warnings if w.code == code]
    for note in notes:
        assert note.message.endswith(".")
        assert note.advice.endswith(".")
    return notes
