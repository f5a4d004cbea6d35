"""hyoid person: the people who may sign in. A file each command beside this one."""

from __future__ import annotations

import typer

from service.commands.person_add import add
from service.commands.person_change import change
from service.commands.person_disable import disable, enable
from service.commands.person_link import link
from service.commands.person_list import show
from service.commands.person_passphrase import passphrase

app = typer.Typer(help="People who may sign in.", no_args_is_help=True, add_completion=False)
for _command in (add, change, disable, enable, passphrase, link):
    app.command()(_command)
app.command("list")(show)
