"""Which erase requests go out, each once: to all legislated modules, or to one module alone."""

from __future__ import annotations

from dataclasses import dataclass

from obdlog.model import Generation, Request
from obdlog.modules import Language, Module
from obdlog.services import obd_on_uds, trouble_reports
from obdlog.services.older_codes import build_older_clear
from obdlog.services.requests import build_clear

PURPOSE = "erase"


@dataclass(frozen=True, slots=True)
class EraseOrder:
    """One erase request; `module` is None for the one that every legislated module hears.

    `in_session` says that the module must be in its extended session, which the user allowed.
    """

    request: Request
    module: Module | None = None
    in_session: bool = False

    @property
    def text(self) -> str:
        """What is written to the session right before the request goes out."""
        service = f"service {self.request.service:02X} (erase) is sent now"
        return f"{service} to {self.module.request}" if self.module else service


def generic_order(generation: Generation) -> EraseOrder:
    """Return the erase that every legislated module hears.

    References
    ----------
    SAE J1979 service 04; SAE J1979-2: ISO 14229-1 service 14 with group FFFF33 (emissions).
    """
    payload = obd_on_uds.ERASE if generation is Generation.ON_UDS else build_clear()
    return EraseOrder(Request(payload, purpose=PURPOSE))


def module_order(module: Module, *, in_session: bool = False) -> EraseOrder:
    """Return the erase of all codes of `module`.

    References
    ----------
    ISO 14229-1 service 14, group FFFFFF; ISO 14230-3 service 14, group FF00.
    """
    older = module.language is Language.ISO_14230
    payload = build_older_clear() if older else trouble_reports.build_clear_group()
    return EraseOrder(
        Request(payload, module.request, purpose=PURPOSE, reply_from=module.response),
        module,
        in_session,
    )
