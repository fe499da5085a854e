"""A transport that writes down everything another one does."""

from __future__ import annotations

from obdlog.clock import Clock
from obdlog.errors import LinkError
from obdlog.model import NOT_WHOLE, Exchange, Generation, Outcome, Request
from obdlog.session.reader import Session
from obdlog.session.writer import SessionWriter
from obdlog.transport.base import BusProtocol, Transport


class RecordingTransport:
    """Passes everything through to `transport` and each exchange to `writer`.

    The text that crossed the link is written around anything odd, and with `keep_wire` always.
    An exchange during which the link was lost is written as lost before the error goes on; the
    time until the next exchange that works is a gap.
    """

    def __init__(
        self, transport: Transport, writer: SessionWriter, *, keep_wire: bool = False
    ) -> None:
        self._transport = transport
        self._writer = writer
        self._keep_wire = keep_wire
        self._lost: tuple[float, str] | None = None
        self.clock: Clock = transport.clock
        self.kind = transport.kind
        self.url = transport.url

    @property
    def identity(self) -> str:
        """What the adapter claims to be."""
        return self._transport.identity

    @property
    def protocol(self) -> BusProtocol | None:
        """The protocol of the car, None before it answered."""
        return self._transport.protocol

    @property
    def generation(self) -> Generation:
        """Which generation of legislated diagnostics the car speaks."""
        return self._transport.generation

    @property
    def asked(self) -> tuple[bytes, ...]:
        """What a recording that is played back holds answers to, nothing on a real road."""
        return getattr(self._transport, "asked", ())

    @property
    def searches_ranges(self) -> bool:
        """Whether a search hears a module wherever it answers from, as far as is known."""
        return getattr(self._transport, "searches_ranges", True)

    @property
    def obeys_filter(self) -> bool:
        """Whether an adapter's receive filter has effect; True on a road without adapter."""
        return getattr(self._transport, "obeys_filter", True)

    @property
    def session(self) -> Session | None:
        """The recording that is played back, None on a real road."""
        return getattr(self._transport, "session", None)

    def connect(self) -> BusProtocol:
        """Connect; see `Transport.connect`."""
        protocol = self._transport.connect()
        self._end_gap()
        return protocol

    def exchange(self, request: Request) -> Exchange:
        """Exchange and write down; see `Transport.exchange`.

        Raises
        ------
        LinkError
            The road is gone.
        SessionFileError
            The session cannot be written.
        """
        at_s = self.clock.now_s()
        try:
            exchange = self._transport.exchange(request)
        except LinkError as error:
            self._lost = (at_s, str(error))
            self._writer.exchange(Exchange(at_s, request, (), Outcome.LOST, note=str(error)))
            raise
        self.keep(exchange)
        return exchange

    def keep(self, exchange: Exchange) -> None:
        """Write down an exchange that was made elsewhere on the same road.

        Raises
        ------
        SessionFileError
            The session cannot be written.
        """
        self._end_gap()
        if self._keep_wire or exchange.note or exchange.outcome in NOT_WHOLE:
            for chunk in exchange.wire:
                self._writer.wire(chunk)
        self._writer.exchange(exchange)

    def voltage_v(self) -> float | None:
        """Return the supply voltage [V] and write it down."""
        voltage = self._transport.voltage_v()
        if voltage is not None:
            self._writer.adapter(voltage_v=voltage)
        return voltage

    def close(self) -> None:
        """Close the transport; the session file is the caller's to end."""
        self._transport.close()

    def _end_gap(self) -> None:
        if self._lost is not None:
            from_s, cause = self._lost
            self._writer.gap(from_s, self.clock.now_s(), cause)
            self._lost = None
