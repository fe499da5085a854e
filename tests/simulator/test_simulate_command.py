"""``obdlog simulate``: where it serves, what it says, how it is driven and how it ends."""

from __future__ import annotations

import signal
import subprocess
import sys

import pytest
from typer.testing import CliRunner

from obdlog.cli.app import app

PLACE = "udp_multicast/239.74.163.95"


@pytest.mark.parametrize(
    ("arguments", "code", "said"),
    [
        (("--can", "nonsense/x"), 3, "no CAN interface 'nonsense'"),
        (("--can", "virtual"), 3, "is no CAN bus"),
        (("--can", "udp_multicast/1.2.3.4"), 3, "cannot serve on the CAN bus"),
        (("legacy-kwp", "--can", "virtual/bench"), 3, "has no CAN bus"),
        (("no-such-car", "--can", "virtual/bench"), 3, "no simulated car"),
        ((), 2, "--can INTERFACE/CHANNEL"),
        (("--can", "virtual/bench", "--pty"), 2, "say where"),
        (("--can", "virtual/bench", "--personality", "noisy"), 2, "--personality"),
        (("--tcp", "0", "--traffic"), 2, "--can"),
        (("--tcp", "0", "--key-cycle-after-erase", "-1"), 2, "--key-cycle-after-erase"),
    ],
)
def test_what_cannot_be_is_said(arguments: tuple[str, ...], code: int, said: str) -> None:
    result = CliRunner().invoke(app, ["simulate", *arguments])
    assert result.exit_code == code
    assert said in " ".join(result.stderr.replace("│", " ").split())
    assert "Traceback" not in result.output


@pytest.mark.skipif(sys.platform == "win32", reason="Ctrl-C is sent as a POSIX signal")
@pytest.mark.parametrize("road", [("--tcp", "0"), ("--can", PLACE)])
def test_a_served_car_is_driven_and_ends_on_ctrl_c(road: tuple[str, str]) -> None:
    process = subprocess.Popen(
        [sys.executable, "-u", "-m", "obdlog", "simulate", *road, "--control"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        encoding="utf-8",
    )
    assert process.stdin is not None
    assert process.stdout is not None
    assert process.stderr is not None
    with process:
        try:
            lines = []
            for line in process.stdout:
                lines.append(line)
                if "takes words" in line:
                    break
            if process.poll() == 3:
                pytest.skip(f"no multicast here: {process.stderr.read()}")
            if road[0] == "--can":
                assert f"can://{PLACE}" in lines[0]
            process.stdin.write("off\nkey-cycle\n")
            process.stdin.flush()
            assert "key is off" in process.stdout.readline()
            assert "is on again" in process.stdout.readline()
            process.send_signal(signal.SIGINT)
            assert process.wait(timeout=30) == 0
            assert process.stderr.read() == ""
        finally:
            process.kill()
