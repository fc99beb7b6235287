"""``caldiff trace FILE...``: which entry of which unit a file is, or what it is nearest to."""

from __future__ import annotations

from argparse import ArgumentParser, Namespace
from typing import TYPE_CHECKING

from caldiff.cli import DIFFERENT, SAME, TROUBLE
from caldiff.cli.finding import add_file_options, catalogue_for, limits_for, named, spread
from caldiff.cli.personal import add_personal_options, key_for
from caldiff.cli.terminal import Counter, add_look_options, formatter, look_for, write
from caldiff.cli.trouble import tell
from caldiff.cli.vaults import add_vault_option, vault_for
from caldiff.errors import CaldiffError
from caldiff.render.view import View

if TYPE_CHECKING:
    from caldiff.render.document import Json
    from caldiff.vault.index import Index
    from caldiff.vault.vault import Vault

__all__ = ["index_for", "parser", "run"]


def parser(prog: str) -> ArgumentParser:
    """The parser of this command."""
    made = ArgumentParser(
        prog=prog,
        allow_abbrev=False,
        formatter_class=formatter,
        description="Say of any file which unit and entry of the vault it is: byte for byte, by its content in another "
        "format or container, or by its content with volatile regions aside. A stranger is compared with the images "
        "that it is nearest to. Whether the vault itself holds, 'caldiff verify' says. Exit status: 0 every file is a "
        "known one, 1 one is a stranger, 2 trouble.",
    )
    made.add_argument("files", nargs="+", metavar="FILE", help="any files: images, logs, whatever was sent")
    group = made.add_argument_group("what is shown")
    group.add_argument(
        "--nearest", type=int, choices=range(4), default=3, help="how many images a stranger is compared with (3)"
    )
    add_personal_options(group)  # type: ignore[arg-type]  # a group takes arguments just so
    group.add_argument("--json", action="store_true", help="a JSON document, see docs/schemas/")
    add_vault_option(made)
    add_look_options(made)
    add_file_options(made, several=True)
    return made


def run(options: Namespace) -> int:
    """Trace every file; one that cannot be read does not stop the others."""
    vault = vault_for(options)
    catalogue = catalogue_for(options)
    starts = spread("--start", options.start, options.files)
    names = spread("--definition", options.definition, options.files)
    view = View(personal=options.show_personal, key=key_for(options))
    from caldiff.render.traced import traced_document, traced_part, traced_text  # noqa: PLC0415 - not for usage errors
    from caldiff.trace.tracing import Tracer  # noqa: PLC0415 - as above

    tracer = Tracer(
        index=index_for(vault),
        catalogue=catalogue,
        nearest=options.nearest,
        format=options.format,
        limits=limits_for(options),
    )
    parts: list[Json] = []
    worst = SAME
    for n, (file, start, name) in enumerate(zip(options.files, starts, names, strict=True)):
        try:
            with Counter("looking at the images of the vault, which is done once") as far:
                definition = None if name is None else named(catalogue, name)
                traced = tracer.trace(file, start=start, definition=definition, progress=far)
        except CaldiffError as error:
            tell(error)
            worst = TROUBLE
            continue
        worst = worst if traced.known else max(worst, DIFFERENT)
        if options.json:
            parts.append(traced_part(traced, view))
        else:
            write(("\n" if n else "") + traced_text(traced, look_for(options), view))
    if options.json:
        from caldiff.render.document import printed  # noqa: PLC0415 - text does without

        write(printed(traced_document(vault.id, parts)))
    return worst


def index_for(vault: Vault) -> Index:
    """The index of the vault, up to date."""
    from platformdirs import user_cache_path  # noqa: PLC0415 - not for usage errors

    from caldiff.vault.index import Index  # noqa: PLC0415 - as above

    index = Index.open(user_cache_path("caldiff", appauthor=False) / "vaults", vault)
    with Counter("reading entries") as far:
        index.update(far)
    return index
