"""The playing side of ``nightheron rig``: lines and broker around a live site, until it is told to stop."""

from __future__ import annotations

import argparse
import asyncio
import shlex
import sys
from collections.abc import Mapping
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING

from nightheron.rig.broker import BrokerDevices
from nightheron.rig.lines import SerialLine
from nightheron.rig.live import SPEED_MOST, LiveSite
from nightheron.rig.paste import MARK, SERIAL, TANK, WIRELESS, chambers, configuration
from nightheron.rig.plant import Build, Plant
from nightheron.rig.serve import Server, until_told
from nightheron.rig.supply import SupplyBuild
from nightheron.rig.vessel import VesselBuild
from nightheron.runtime.clock import Clock

if TYPE_CHECKING:
    from nightheron.rig.faults import Fault

SOCKET, CONFIG = "rig.sock", "nightheron.toml"
PATH_MOST = 90
LOOK_EVERY_S = 60


class CannotPlay(Exception):  # noqa: N818 - its text is the whole answer
    """The site cannot be played as asked; ``code`` is the exit code."""

    def __init__(self, text: str, code: int = 2) -> None:
        super().__init__(text)
        self.code = code


def play(args: argparse.Namespace, library: Mapping[str, Fault]) -> int:
    """Play until SIGINT or SIGTERM."""
    try:
        broker = _broker(args.broker)
        if not 0.0 < args.speed <= SPEED_MOST:
            raise CannotPlay(f"--speed takes a number above 0, at most {SPEED_MOST:g}.")
        folder = _folder(args.dir)
        begins_s = _seconds_today(Clock())
        built = {name: (VesselBuild(), SupplyBuild()) for name in chambers(broker)}
        site = LiveSite(Plant(Build(built, begins_s=begins_s), args.seed), args.speed, library)
        text = configuration(folder, broker)
        _write(folder / CONFIG, text)
        asyncio.run(_Player(site, folder, broker).run(_words(folder, text, args.speed)))
    except CannotPlay as why:
        print(why, file=sys.stderr)
        return why.code
    except OSError as why:
        print(f"{args.dir} cannot be used: {why.strerror or why}.", file=sys.stderr)
        return 2
    return 0


def _broker(asked: str | None) -> tuple[str, int] | None:
    if asked is None:
        return None
    host, _, port = asked.partition(":")
    if not host or not (port or "1883").isdecimal() or not 0 < int(port or 1883) < 65536:
        raise CannotPlay(f"--broker takes HOST or HOST:PORT, not {asked!r}.")
    return host, int(port or 1883)


def _folder(asked: Path) -> Path:
    asked.mkdir(exist_ok=True)
    folder = asked.resolve()
    if len(str(folder)) > PATH_MOST:
        raise CannotPlay(f"{folder} is too long a name for sockets; give a shorter one with --dir.")
    (folder / "data").mkdir(exist_ok=True)
    return folder


def _write(path: Path, text: str) -> None:
    if path.exists() and not path.read_text("utf-8", "replace").startswith(MARK):
        raise CannotPlay(f"{path} is there and was not made by the rig; give another folder with --dir.")
    path.write_text(text)


def _seconds_today(clock: Clock) -> float:
    now = clock.utc()
    return now.hour * 3600.0 + now.minute * 60.0 + now.second


def _words(folder: Path, text: str, speed: float) -> str:
    config = shlex.quote(str(folder / CONFIG))
    where = "" if folder == Path("nightheron-rig").resolve() else f" --dir {shlex.quote(str(folder))}"
    said = [
        "This configuration guards the site that is played here:\n",
        text,
        f"It is kept in {folder / CONFIG}. In a second terminal:",
        f"  nightheron run --config {config}",
        f"  nightheron status --config {config}",
        f"  nightheron rig faults{where}",
        f"  nightheron rig fault regulator_fails_half{where}",
        f"  nightheron rig look{where}",
        f"  nightheron rig mend{where}",
    ]
    if speed != 1.0:
        said.append(f"The water lives {speed:g} times as fast; the guard's own times are not hurried.")
    return "\n".join([*said, "Playing until Ctrl-C. What happens at the site:"])


class _Player:
    """One run: the site's own socket, its serial lines, and a broker where there is one."""

    def __init__(self, site: LiveSite, folder: Path, broker: tuple[str, int] | None) -> None:
        self._site, self._folder, self._broker = site, folder, broker
        self._seconds = 0

    async def run(self, words: str) -> None:
        """Until it is told to stop; CannotPlay when the broker does not answer or another rig plays here."""
        loop = asyncio.get_running_loop()
        server = Server(self._site)
        path = self._folder / SOCKET
        await _nobody_plays(path)
        with ExitStack() as open_things:
            self._serial(server, loop, open_things)
            if self._broker is not None:
                self._wireless(server, loop, open_things)
            print(words, flush=True)
            self._site.told = self._tell
            server.each_second.append(self._count)
            await until_told(server, path)

    def _serial(self, server: Server, loop: asyncio.AbstractEventLoop, open_things: ExitStack) -> None:
        def line(name: str) -> SerialLine:
            made = SerialLine(self._folder / name)
            open_things.callback(made.close)
            return made

        probe, valve = line("west-probe"), line("west-valve")
        tank = line("display-probe") if self._broker is None else None
        site = self._site

        def obey() -> None:
            for order in valve.lines():
                answer = site.order(SERIAL, order)
                if answer is not None:
                    valve.write(answer)

        def speak() -> None:
            for to, says in ((probe, site.plant.says(SERIAL)), (tank, site.plant.tank_says())):
                if to is not None and says is not None:
                    to.write(says)

        loop.add_reader(valve.fileno(), obey)
        open_things.callback(loop.remove_reader, valve.fileno())
        server.each_second.append(speak)

    def _wireless(self, server: Server, loop: asyncio.AbstractEventLoop, open_things: ExitStack) -> None:
        host, port = self._broker or ("", 0)
        clock = Clock()
        devices = BrokerDevices(
            self._site,
            [WIRELESS],
            TANK,
            lambda: clock.utc().timestamp(),
            loop.call_soon_threadsafe,
        )
        try:
            devices.start(host, port)
        except OSError as why:
            raise CannotPlay(
                f"No broker answers at {host}:{port} ({why}); start one, or leave --broker out.", 3
            ) from None
        open_things.callback(devices.stop)
        server.each_second.append(devices.second)

    def _tell(self, text: str) -> None:
        print(
            f"{self._seconds // 3600:02}:{self._seconds // 60 % 60:02}:{self._seconds % 60:02}  {text}",
            flush=True,
        )

    def _count(self) -> None:
        self._seconds += 1
        if self._seconds % LOOK_EVERY_S == 0:
            for said in self._site.look().split("; "):
                self._tell(said)


async def _nobody_plays(path: Path) -> None:
    try:
        _, writer = await asyncio.open_unix_connection(path)
    except (FileNotFoundError, ConnectionRefusedError):
        return
    writer.close()
    raise CannotPlay(f"Another rig plays in {path.parent}; stop it, or give another folder with --dir.", 1)
