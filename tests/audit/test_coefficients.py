"""Every number in the tables has a source and says what it rests on (the house's own rule)."""

from __future__ import annotations

from core.audit.coefficients import collect_provenance, without_source


def test_no_number_without_source_and_basis():
    assert without_source() == []


def test_known_entries_are_found():
    frame = collect_provenance()
    maize = frame[frame["entry"].str.startswith("maize › isotherms › henderson-1986")]
    assert len(maize) == 1
    assert "8.6541e-05" in maize.iloc[0]["values"]
    assert "D245" in maize.iloc[0]["source"]
