"""hyoid client: the systems that may ask for access tokens. A file each command beside this one."""

from __future__ import annotations

import typer

from service.commands.client_add import add
from service.commands.client_change import change
from service.commands.client_disable import disable, enable
from service.commands.client_list import show
from service.commands.client_rotate import rotate

app = typer.Typer(
    help="Systems that may ask for access tokens.", no_args_is_help=True, add_completion=False
)
for _command in (add, change, disable, enable, rotate):
    app.command()(_command)
app.command("list")(show)
