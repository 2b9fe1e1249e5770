"""A receiver's bytes to epochs."""

from collections.abc import Iterable, Iterator
from typing import Protocol, Self

from fenceguard.receiver.epoch import Epoch
from fenceguard.receiver.epochs import Assembled, Assembler
from fenceguard.receiver.framing import Framer, Sentence
from fenceguard.receiver.sentences import AccuracySentence, Fragment, read, wanted

UNREADABLE = "fields"


class TellsReceiver(Protocol):
    """Whatever can say how the receiver talks."""

    @property
    def epoch_wait_s(self) -> float:
        """How long an epoch waits for its last sentence."""

    def accuracy_sentence(self) -> AccuracySentence | None:
        """The receiver's own accuracy sentence, None where there is none."""


class Receiver:
    """Framing, sentences and epochs in one; `accuracy` is the receiver's own such sentence."""

    def __init__(self, epoch_wait_s: float, accuracy: AccuracySentence | None = None) -> None:
        self._framer = Framer()
        self._assembler = Assembler(epoch_wait_s)
        self._accuracy = accuracy
        self._unreadable = 0

    @classmethod
    def from_settings(cls, settings: TellsReceiver) -> Self:
        """A receiver that waits and talks as the settings say."""
        return cls(settings.epoch_wait_s, settings.accuracy_sentence())

    @property
    def sentences(self) -> int:
        """Sentences with a right checksum so far, of whatever kind."""
        return self._framer.sentences

    @property
    def rejected(self) -> dict[str, int]:
        """Sentences that were dropped so far, by reason; `fields`: right checksum, no sense."""
        rejected = dict(self._framer.rejected)
        if self._unreadable:
            rejected[UNREADABLE] = self._unreadable
        return rejected

    @property
    def cut_bytes(self) -> int:
        """Length of the sentence that the input broke off in, 0 if it did not."""
        return self._framer.cut_bytes

    @property
    def due_s(self) -> float | None:
        """When `poll` is to be called at the latest; None while nothing is waited for."""
        return self._assembler.due_s

    def feed(self, data: bytes, at_s: float) -> list[Epoch]:
        """Epochs that are complete with bytes that arrived at `at_s`."""
        epochs = []
        for fragment in self._fragments(self._framer.feed(data)):
            epochs += self._assembler.feed(fragment, at_s)
        return epochs

    def poll(self, now_s: float) -> list[Epoch]:
        """The epoch that has waited long enough for its last sentence, if there is one."""
        return self._assembler.poll(now_s)

    def finish(self) -> list[Epoch]:
        """The input has ended: what was still waiting."""
        return [epoch for _, epoch in self.finish_recording()]

    def feed_recording(self, data: bytes) -> list[tuple[float | None, Epoch]]:
        """Epochs of a recording, each with the TAG time of its last sentence, or None.

        A recording has no times of arrival, so nothing is ever given up for late.
        """
        return self._assemble(self._framer.feed(data))

    def finish_recording(self) -> list[tuple[float | None, Epoch]]:
        """The recording has ended: what was still waiting."""
        return [*self._assemble(self._framer.finish()), *self._assembler.finish_tagged()]

    def _assemble(self, sentences: Iterable[Sentence]) -> list[tuple[float | None, Epoch]]:
        assembled: list[Assembled] = []
        for fragment in self._fragments(sentences):
            assembled += self._assembler.feed_tagged(fragment, 0.0)
        return list(assembled)

    def _fragments(self, sentences: Iterable[Sentence]) -> Iterator[Fragment]:
        for sentence in sentences:
            if wanted(sentence):
                fragment = read(sentence)
            elif self._accuracy is not None and self._accuracy.is_in(sentence):
                fragment = self._accuracy.read(sentence)
            else:
                continue
            if fragment is None:
                self._unreadable += 1
            else:
                yield fragment
