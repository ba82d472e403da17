"""[service], [pages] and [people]: where the service listens, how its pages are reached, and by whom."""

from __future__ import annotations

from ipaddress import IPv4Network, IPv6Network
from pathlib import Path
from typing import Annotated, Literal

from pydantic import BeforeValidator, Field

from farmwatch.config import fields
from farmwatch.config.secret import Secret
from farmwatch.config.section import Section, reads

__all__ = ["Pages", "Person", "Role", "ServiceSection"]

Role = Literal["viewer", "technician", "manager"]


class ServiceSection(Section):
    """[service]: where the service listens, by what right beyond this computer, and how it logs."""

    listen: Annotated[
        str, *reads(fields.listen, 'wanted a numeric address or localhost, and a port, such as "127.0.0.1:8790"')
    ] = "127.0.0.1:8790"
    log: Literal["logfmt", "json"] = Field("logfmt", description='wanted "logfmt" or "json"')
    certificate: Annotated[Path | None, *reads(fields.folder_path, "wanted the path of a PEM certificate chain")] = None
    key: Annotated[Path | None, *reads(fields.folder_path, "wanted the path of the certificate's PEM key")] = None
    behind_proxy: bool = Field(False, description="wanted true or false")
    """A proxy stands in front, speaks TLS, and says who asked (X-Forwarded-For, X-Forwarded-Proto)."""

    @property
    def host(self) -> str:
        """The address to listen on, without brackets."""
        return self.listen.rpartition(":")[0].strip("[]")

    @property
    def port(self) -> int:
        """The port to listen on; 0 lets the system choose."""
        return int(self.listen.rpartition(":")[2])

    @property
    def on_loopback(self) -> bool:
        """Whether only this computer itself can ask."""
        return fields.is_loopback(self.host)


Networks = tuple[IPv4Network | IPv6Network, ...]


class Pages(Section):
    """[pages]: how people reach the pages, and which hosts the mapping helper may ask."""

    url: Annotated[
        str | None,
        *reads(fields.address, 'wanted the address that people type, such as "https://beds.tidegate.example"'),
    ] = None
    may_ask: Annotated[Networks, *reads(fields.networks, 'wanted a list of networks such as ["10.20.0.0/16"]')] = ()


class Person(Section):
    """[people.NAME]: who may sign in to the pages, or read their JSON by a token, and what he may do."""

    name: Annotated[str, BeforeValidator(fields.name)]
    role: Role = Field(description='wanted "viewer", "technician" or "manager"')
    password: Annotated[
        Secret | None,
        *reads(fields.secret, 'wanted the source of what `farmwatch password` printed, such as "file:NAME.password"'),
    ] = None
    token: Annotated[
        Secret | None, *reads(fields.secret, 'wanted the source of a token, such as "file:NAME.token"')
    ] = None
