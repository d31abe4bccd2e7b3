"""The command `holdstill page`."""

from __future__ import annotations

import shlex
import socket
from contextlib import ExitStack, suppress
from importlib.util import find_spec
from pathlib import Path
from threading import Thread
from typing import TYPE_CHECKING

import click

from holdstill.cli import as_owner, options, terminal
from holdstill.errors import UsageError
from holdstill.system import listening, work_folder
from holdstill.system.clocks import SystemClock
from holdstill.system.process import LocalRunner
from holdstill.system.termination import TerminationRequested

if TYPE_CHECKING:
    from collections.abc import Sequence
    from contextlib import AbstractContextManager

ROLES = ("look", "files", "images")
LINKS = Path("/run/holdstill-page")
"""Where the unit keeps links; it makes the folder."""
WORK = Path("/var/lib/holdstill-page")
"""Where the unit has room for images and rehearsals, if that was wanted."""
_PATH = click.Path(path_type=Path)


@click.command("page", short_help="Show the store to browsers.")
@options.settings_option(options.KEEPER_SETTINGS)
@options.store_option
@click.option(
    "--port",
    type=click.IntRange(1, 65535),
    default=8642,
    show_default=True,
    help="Listen at this port of the loopback address.",
)
@click.option("--socket", "socket_path", type=_PATH, help="Listen at this Unix socket instead.")
@click.option(
    "--role",
    type=click.Choice(ROLES),
    default="look",
    show_default=True,
    help="What the link allows: to look; to take files out as well; to make images as well.",
)
@click.option(
    "--reached-as",
    "public",
    default="",
    metavar="URL",
    help="The address that browsers show, where a reverse proxy answers for this page.",
)
@click.option(
    "--login-by-proxy",
    is_flag=True,
    help="Let everybody in who comes by the Unix socket: the proxy there asks who they are.",
)
@click.option(
    "--links",
    "links_path",
    type=_PATH,
    help=f"Folder of links, for this user alone. Default: {LINKS}, if it is there.",
)
@click.option(
    "--work",
    "work_path",
    type=_PATH,
    help="Folder for images and rehearsals, for this user alone. "
    f"Default: {WORK}, if it is there; else none are made.",
)
@click.option(
    "--keep-images",
    "keep_days",
    type=click.IntRange(1, 3650),
    default=7,
    show_default=True,
    help="Days for which they are kept, unless their room is needed.",
)
@click.option("--new-link", "is_new_link", is_flag=True,
              help="Print another link to the page that runs already, and end.")  # fmt: skip
def command(
    *,
    settings_path: Path,
    store_address: str | None,
    port: int,
    socket_path: Path | None,
    role: str,
    public: str,
    login_by_proxy: bool,
    links_path: Path | None,
    work_path: Path | None,
    keep_days: int,
    is_new_link: bool,
) -> None:
    r"""Show boards and captures on a page for browsers, at this machine only.

    It prints a link that lets one browser in, once, within ten minutes. From another machine,
    come by SSH: `ssh -L 8642:localhost:8642 boathouse`, then open the link there. Nothing of
    the store is changed, but that a rehearsal that booted is noted.

    Whoever has a link with --role images can have images made and captures rehearsed, one at a
    time, in the folder of --work.

    \b
    Examples:
      holdstill page --store /srv/holdstill
      holdstill page --store /srv/holdstill --work /srv/cards --role images
      holdstill page --new-link --role files
    """
    _check_installed()
    # The page is an extra: what it needs may not be installed, and loads slowly.
    from holdstill.cli import page_captures, page_images, page_server  # noqa: PLC0415
    from holdstill.page.addresses import Addresses  # noqa: PLC0415
    from holdstill.page.links import Links  # noqa: PLC0415
    from holdstill.page.roles import Role  # noqa: PLC0415
    from holdstill.workflow.keeper_page import KeeperPage  # noqa: PLC0415

    clock, addresses, allowed = SystemClock(), Addresses.parse(public), Role(role)
    opened = as_owner.opened_at(options.store_address(store_address, settings_path))
    settings = options.keeper_settings(settings_path, opened.root)
    with ExitStack() as undo:
        folder = links_path or _usual_links(undo, is_new_link=is_new_link)
        page_server.check_private(folder, "--links")
        link = f"{addresses.public or f'http://localhost:{port}'}/enter?link="
        if is_new_link:
            terminal.say(link + Links(folder, clock).make(allowed))
            return
        sockets = listening.handed_over()
        is_by_hand = not sockets
        sockets = sockets or (undo.enter_context(_socket(port, socket_path)),)
        if login_by_proxy:
            _check_proxy(public, sockets)
        keeper = KeeperPage(opened, settings, clock=clock, runner=LocalRunner())
        Thread(target=keeper.keep_looking, name="look", daemon=True).start()
        images = undo.enter_context(
            page_images.opened(opened.root, _work(work_path), settings, clock, days=keep_days)
        )
        indexes = undo.enter_context(work_folder.made_on_disk())
        app = page_server.site(
            keeper,
            *images.pages,
            *page_captures.pages(opened, LocalRunner(), indexes),
            links=folder,
            addresses=addresses,
            clock=clock,
            let_in=allowed if login_by_proxy else None,
        )
        # Last, when nothing can refuse any more. A unit's output goes to the journal, and no link
        # is to be in a log.
        if is_by_hand and not login_by_proxy:
            terminal.say(link + Links(folder, clock).make(allowed))
            terminal.say(
                f"it lets one browser in, within ten minutes, with role {role}; the page is there "
                f"until Ctrl-C. For another link: holdstill page --new-link --store {opened.root} "
                f"--links {folder} --port {port} --role {role}"
            )
        if allowed is Role.IMAGES and _work(work_path) is None:
            terminal.warn(
                "note: no images are made, for there is no folder for them: --work names one, for "
                "this user alone (`mkdir -m 700`)"
            )
        with suppress(TerminationRequested):  # that is how a page ends
            page_server.serve(app, sockets)


def _socket(port: int, path: Path | None) -> AbstractContextManager[socket.socket]:
    return listening.at_path(path) if path else listening.at_port(port)


def _usual_links(undo: ExitStack, *, is_new_link: bool) -> Path:
    """Return the unit's folder of links; where there is no unit, one for this run."""
    if LINKS.exists():
        return LINKS
    if is_new_link:
        raise UsageError(
            f"which page? {LINKS} is not there, so the unit does not run",
            hint="`sudo systemctl start holdstill-keeper-page` starts it; of another page, name "
            "the folder with --links that it was given",
        )
    return undo.enter_context(work_folder.made())


def _work(given: Path | None) -> Path | None:
    """Return the folder for images; None where none are made."""
    if given is None and not WORK.exists():
        return None
    folder = (given or WORK).absolute()
    if not folder.exists():
        raise UsageError(
            f"there is no folder {folder} for images",
            hint=f"make it, for this user alone: `mkdir -m 700 {shlex.quote(str(folder))}`",
        )
    return folder


def _check_proxy(public: str, sockets: Sequence[socket.socket]) -> None:
    """Refuse to let everybody in who comes, but where only a proxy can come.

    Raises:
        UsageError: others can.
    """
    if not public:
        raise UsageError(
            "--login-by-proxy needs the proxy's address",
            hint="give it as browsers show it: --reached-as https://boathouse.example",
        )
    if any(each.family != socket.AF_UNIX for each in sockets):
        raise UsageError(
            "--login-by-proxy at a port would let in every user of this machine",
            hint="give a Unix socket with --socket, in a folder that only the proxy may enter",
        )


def _check_installed() -> None:
    missing = [name for name in ("jinja2", "starlette", "uvicorn") if find_spec(name) is None]
    if missing:
        raise UsageError(
            f"the page needs {', '.join(missing)}, not installed here",
            hint="the Debian package has them; or install holdstill with its extra: "
            "`pip install '.[page]'` in a checkout",
        )
