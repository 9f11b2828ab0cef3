"""Static files under names that carry their content's digest, once they have been collected."""

from __future__ import annotations

from typing import Any

from whitenoise.storage import CompressedManifestStaticFilesStorage


class HashedOnceCollected(CompressedManifestStaticFilesStorage):
    """After `collectstatic`, digests in names, compressed and cached for good; before, plain names.

    So the demo and the tests run without collecting, and a file that is newer than the last
    collecting is served by its plain name and not refused.
    """

    def stored_name(self, name: str) -> Any:
        known = self.hash_key(self.clean_name(name)) in self.hashed_files
        return super().stored_name(name) if known else name
