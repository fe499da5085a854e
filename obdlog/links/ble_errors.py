"""What went wrong with Bluetooth LE, in our own errors: bleak passes on many stacks' own."""

from __future__ import annotations

from obdlog.errors import LinkOpenError, OpenFailure

LONGEST_WORDS = 200
PAIRING_CODES = (0x05, 0x08, 0x0C, 0x0F)
"""Refusals of the attribute protocol that pairing cures: authentication, authorization, key size,
encryption [BT-CORE, part F, 3.4.1.1]."""

_NO_SERVICE = ("ServiceUnknown", "NameHasNoOwner", "NoServer", "Spawn")
_NOT_PERMITTED = ("AccessDenied", "NotPermitted", "NotAuthorized", "Authentication")

TURN_ON = "Turn Bluetooth on in the system's settings and try again."
ALLOW = "Allow this terminal or program to use Bluetooth in the system's privacy settings."
LOOK = (
    "Check that the adapter has power and is near, and that no phone is connected to it; "
    "`obdlog ports --wireless` lists what can be heard."
)
PAIR = "Pair the adapter in the system's Bluetooth settings first, then try again."


def open_failure(url: str, error: Exception) -> LinkOpenError:
    """Return our error for a failure to reach `url` by Bluetooth LE, with what to try."""
    reason, text, hint = _judge(error)
    return LinkOpenError(text.format(url=url, words=words(error)), reason=reason, hint=hint)


def may_pass(failure: LinkOpenError) -> bool:
    """Return whether trying again at once may help: the radio lost it, or it was not ready."""
    return failure.reason in (OpenFailure.UNREACHABLE, OpenFailure.BUSY)


def words(error: BaseException) -> str:
    """Return the foreign words of `error` on one line, of bounded length."""
    if isinstance(error, OSError):
        text = str(error.strerror or error)
    else:
        text = ": ".join(str(part) for part in error.args if isinstance(part, str))
    shown = "".join(c for c in " ".join(text.split()) if c.isprintable())
    return shown[:LONGEST_WORDS] or type(error).__name__


def _judge(error: Exception) -> tuple[OpenFailure, str, str]:
    from bleak import exc

    if isinstance(error, exc.BleakBluetoothNotAvailableError):
        return _without_radio(error.reason.name)
    if isinstance(error, exc.BleakDeviceNotFoundError):
        return OpenFailure.MISSING, "no device {url} can be heard", LOOK
    if isinstance(error, exc.BleakDBusError):
        return _from_dbus(error.dbus_error)
    code = getattr(error, "code", None)
    if isinstance(error, exc.BleakError) and code in PAIRING_CODES:
        return OpenFailure.NOT_PERMITTED, "{url} wants to be paired first: {words}", PAIR
    if isinstance(error, TimeoutError):
        return OpenFailure.UNREACHABLE, "{url} does not answer", LOOK
    if isinstance(error, PermissionError):
        return OpenFailure.NOT_PERMITTED, "not permitted to use Bluetooth: {words}", ALLOW
    if isinstance(error, FileNotFoundError | ConnectionError):
        return _no_service()
    return OpenFailure.UNREACHABLE, "cannot connect to {url}: {words}", LOOK


def _without_radio(reason: str) -> tuple[OpenFailure, str, str]:
    if reason == "POWERED_OFF":
        return OpenFailure.UNREACHABLE, "Bluetooth is turned off on this computer", TURN_ON
    if reason.startswith("DENIED"):
        return OpenFailure.NOT_PERMITTED, "not permitted to use Bluetooth: {words}", ALLOW
    if reason.startswith("NO_"):
        return (
            OpenFailure.MISSING,
            "this computer has no radio that can use Bluetooth LE",
            "Plug in a radio for Bluetooth LE, or use an adapter with a cable or Wi-Fi.",
        )
    return OpenFailure.OTHER, "Bluetooth cannot be used now: {words}", TURN_ON


def _from_dbus(name: str) -> tuple[OpenFailure, str, str]:
    """Return the meaning of an error of D-Bus or BlueZ by the end of its name."""
    last = name.rpartition(".")[2]
    if last.startswith(_NO_SERVICE):
        return _no_service()
    if last.startswith(_NOT_PERMITTED):
        return OpenFailure.NOT_PERMITTED, "{url} or the system refuses: {words}", PAIR
    if last == "NotReady":
        return OpenFailure.UNREACHABLE, "Bluetooth is turned off on this computer", TURN_ON
    if last == "InProgress":
        return OpenFailure.BUSY, "{url} is in use or being connected: {words}", LOOK
    return OpenFailure.UNREACHABLE, "cannot connect to {url}: {words}", LOOK


def _no_service() -> tuple[OpenFailure, str, str]:
    return (
        OpenFailure.MISSING,
        "the Bluetooth service of this computer does not run",
        "On Linux, install BlueZ and start it and D-Bus; elsewhere, turn Bluetooth on.",
    )
