"""What several tests share with those of model/lint/test_codes.py."""

from __future__ import annotations

A, B, C, D = "a" * 64, "b" * 64, "c" * 64, "d" * 64


BASE = f"""manifest = 1
platform = "marram"
sequence = 3
issued = 2026-08-14
expires = 2027-02-14
families = ["infrastructure", "blade", "rack"]
variants = ["managed-servers", "single-servers"]

[versions]
known = ["5.4.2"]

[[bundle]]
family = "infrastructure"
version = "5.4.10"
file = "infra-5.bin"
size = 10
sha256 = "{A}"
digest_from = "publisher's page"
images = [{{ kind = "io-module", models = ["Rush-4"], version = "5.4.10" }}]

[[bundle]]
family = "infrastructure"
version = "6.1.0"
file = "infra-6.bin"
size = 11
sha256 = "{B}"
digest_from = "publisher's page"
released = 2026-08-01
images = [{{ kind = "io-module", models = ["Rush-4"], version = "6.1.0" }}]

[[bundle]]
family = "blade"
version = "6.1.0"
file = "blade-6.bin"
size = 12
sha256 = "{C}"
digest_from = "publisher's page"
images = [
  {{ kind = "bios", models = ["Tern-2", "Tern-4"], version = "6.1.0" }},
  {{ kind = "management-controller", models = ["Tern-2", "Tern-4"], version = "6.0.9" }},
]

[[bundle]]
family = "rack"
version = "6.1.0"
file = "rack-6.bin"
size = 13
sha256 = "{D}"
digest_from = "publisher's page"
variant = "managed-servers"

[[release]]
name = "6.1"
infrastructure = "6.1.0"
blade = ["6.1.0"]
rack = "6.1.0"

[[jump]]
what = {{ family = "infrastructure" }}
to = ">=6.0"
from = ">=5.4.10"
source = "release notes 6.1, table 2"

[[compatible]]
scope = "domain"
when = {{ family = "infrastructure", version = ">=6.1" }}
need = [{{ family = "blade", version = ">=6.0" }}, {{ family = "rack", version = ">=6.0" }}]
source = "release notes 6.1, table 5"
"""


JUMP = '\n[[jump]]\nwhat = {{ {what} }}\nto = "{to}"\nfrom = {from_}\ndirection = "{direction}"\nsource = "notes"\n'


COMPATIBLE = '\n[[compatible]]\nscope = "{scope}"\nwhen = {{ {when} }}\nneed = [{need}]\nsource = "notes"\n'


INFRA = 'family = "infrastructure"'


def jump(what: str = INFRA, to: str = ">=6", from_: str = '">=5"', direction: str = "up") -> str:
    return JUMP.format(what=what, to=to, from_=from_, direction=direction)


def compatible(when: str, need: str, scope: str = "domain") -> str:
    return COMPATIBLE.format(scope=scope, when=when, need=need)
