"""What a command says while it works, where nobody looks at a terminal."""

from snowtally.cli import base


def test_a_log_is_told_now_and_then_and_json_never(monkeypatch, capsys):
    at = [0.0]
    monkeypatch.setattr(base.time, "monotonic", lambda: at[0])
    for as_json in (False, True):
        with base.progress(as_json=as_json, verbose=False) as stage:
            for at[0] in (1.0, 29.0, 31.0, 60.0, 61.5):
                stage(f"2031-03-01: after {at[0]:.0f} s")
            at[0] = 0.0
    told = capsys.readouterr().err.splitlines()
    assert [line.split("  ")[1] for line in told] == ["2031-03-01: after 31 s", "2031-03-01: after 62 s"]
