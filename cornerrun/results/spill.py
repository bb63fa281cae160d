"""Keep what the store could not take: one JSON line each, in a file beside it, merged when the store opens again."""

import json
import os
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from cornerrun.errors import StoreError
from cornerrun.results.codec import from_json, to_json
from cornerrun.results.entries import KINDS, Entry

__all__ = ["Spill"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Spill:
    """The spill file of one store."""

    path: Path

    def keep(self, entries: Sequence[Entry]) -> Path:
        """Append entries and bring them to the disk; return the file, which is in the temporary folder if need be.

        Raises StoreError if neither place can be written.
        """
        fallback = Path(tempfile.gettempdir()) / self.path.name
        text = "".join(
            to_json({"kind": entry.kind, "run_id": entry.run_id, "record": entry.record}) + "\n" for entry in entries
        )
        failure: OSError | None = None
        for path in (self.path, fallback):
            try:
                with path.open("a", encoding="utf-8") as file:
                    file.write(text)
                    file.flush()
                    os.fsync(file.fileno())
            except OSError as error:
                failure = failure or error
            else:
                return path
        raise StoreError(f"nothing can be kept, neither in {self.path} nor in {fallback}: {failure}")

    def entries(self) -> Iterator[Entry | str]:
        """Give what was kept; a line that cannot be read, such as one torn by a power cut, comes as its text."""
        try:
            text = self.path.read_text(encoding="utf-8", errors="replace")
        except FileNotFoundError:
            return
        for line in text.splitlines():
            try:
                content = json.loads(line)
                record: object = from_json(json.dumps(content["record"]), KINDS[content["kind"]])
                yield Entry(kind=content["kind"], run_id=str(content["run_id"]), record=record)
            except (ValueError, TypeError, KeyError):
                yield line

    def put_aside(self, rejected: Sequence[str]) -> None:
        """Rename the file once its entries are in the store; lines that did not get there go to a file of their own."""
        if rejected:
            with self.path.with_name(f"{self.path.name}.rejected").open("a", encoding="utf-8") as file:
                file.writelines(f"{line}\n" for line in rejected)
        self.path.replace(self.path.with_name(f"{self.path.name}.merged"))
