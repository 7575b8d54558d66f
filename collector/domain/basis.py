"""The basis of a limit as a customer's paper prints it: the code adopted on site, or practice.

Where a limit was read in a text about a standard, the handbook says so. A signed paper must name
what binds its reader: the edition that the authority having jurisdiction has adopted, which only
the site file can know.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

CONFIRM = "limit to be confirmed by the authority having jurisdiction"
_STANDARD = re.compile(r"\bNFPA (13|25|1)\b")
_SITE_FILE = re.compile(r"\w+ of the site file|from the site file|as stated in the site file")
_PROVENANCE = re.compile(
    r",? ?\(?\b(?:(?:as )?read in a quotation|from memory|older numbering|as quoted by others|"
    r"as quoted on [a-z ]+)\b\)?")


@dataclass(frozen=True, slots=True, kw_only=True)
class AdoptedCode:
    """The codes adopted on site, each with edition and section as the site file writes them."""

    installation: str = ""
    """In place of NFPA 13."""
    inspection: str = ""
    """In place of NFPA 25."""
    fire: str = ""
    """In place of NFPA 1."""
    authority: str = ""
    """The authority having jurisdiction."""


def printed_basis(source: str, code: AdoptedCode) -> str:
    """Return the basis of a limit for a customer's paper.

    >>> printed_basis("NFPA 13, air supply: 30 min (from memory)", AdoptedCode())[:37]
    'NFPA 13 (no adopted edition stated): '
    >>> printed_basis("NFPA 13, 30 min", AdoptedCode(installation="NFPA 13 (2019), 8.2.6"))
    'NFPA 13 (2019), 8.2.6, adopted on site'
    >>> printed_basis("common practice: 98 % +- 1 % nitrogen", AdoptedCode())
    'common practice: 98 % +- 1 % nitrogen'
    >>> printed_basis("low_pressure of the site file; 2 psi is a setting", AdoptedCode())
    'set for this site; 2 psi is a setting'
    """
    found = _STANDARD.search(source)
    if found is None:
        plain = _SITE_FILE.sub("set for this site", _PROVENANCE.sub("", source))
        return " ".join(plain.split())
    adopted = {"13": code.installation, "25": code.inspection, "1": code.fire}[found[1]]
    if adopted:
        return f"{adopted}, adopted on site"
    confirm = f"{CONFIRM}{f', {code.authority}' if code.authority else ''}"
    return f"NFPA {found[1]} (no adopted edition stated): {confirm}"
