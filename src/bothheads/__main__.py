"""The program's entry: joins the command line with the page, which never import each other."""

from __future__ import annotations

from collections.abc import Sequence

from .cli.main import main as command_line


def _serve(port: int, log_path: str | None, open_browser: bool) -> None:
    from .web.serve import serve

    serve(port=port, log_path=log_path, open_browser=open_browser)


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; returns the exit code."""
    return command_line(argv, serve=_serve)


if __name__ == "__main__":
    raise SystemExit(main())
