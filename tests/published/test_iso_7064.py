"""ISO/IEC 7064:2003, pure systems: the check-character recursion against published identifiers.

The examples are MOD 11-2, the standard's own system with the same recursion: 0000-0002-1825-0097
is the example in ORCID's documentation, 0000-0003-1415-9269 the one worked in its published
checksum sheet ("ORCID Checksum digit"), and 0000-0002-1694-233X a public identifier that ends in
the value ten. 079X is the example printed by several open-source implementations of the standard.
"""

import pytest

from lots.codes import pure_check_value


@pytest.mark.parametrize(
    "identifier", ["0000-0002-1825-0097", "0000-0003-1415-9269", "0000-0002-1694-233X", "079X"]
)
def test_mod_11_2_check_character(identifier):
    *digits, check = identifier.replace("-", "")
    assert pure_check_value(map(int, digits), 11, 2) == "0123456789X".index(check)
