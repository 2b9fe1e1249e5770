"""A receiver's bytes to epochs."""

from collections.abc import Iterable, Iterator
from typing import Protocol, Self

from fenceguard.receiver.epoch import Epoch
from fenceguard.receiver.epochs import Assembler
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
        self.tag_time_s: float | None = None
        """Of a log that is read: the newest TAG time in it."""
        self._reads_log = False

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
        return None if self._reads_log else self._assembler.due_s

    def feed(self, data: bytes, at_s: float) -> list[Epoch]:
        """Epochs that are complete with bytes that arrived at `at_s`."""
        epochs = []
        for fragment in self._fragments(self._framer.feed(data)):
            epochs += self._assembler.feed(fragment, at_s)
        return epochs

    def poll(self, now_s: float) -> list[Epoch]:
        """The epoch that has waited long enough for its last sentence, if there is one."""
        return [] if self._reads_log else self._assembler.poll(now_s)

    def finish(self) -> list[Epoch]:
        """The input has ended: the epoch that was still waiting."""
        self._framer.finish()
        self.tag_time_s = None
        return self._assembler.finish()

    def feed_log(self, data: bytes) -> Iterator[tuple[float | None, Epoch]]:
        """Epochs of a log, each with when it was complete by the TAG blocks; None without them.

        With TAG times an epoch is put together as if it had come live. Without them it is not known
        when anything came, so nothing is given up for late. Nothing is due: a log has its own time.
        """
        self._reads_log = True
        for fragment in self._fragments(self._framer.feed(data)):
            tag_time_s = self.tag_time_s
            if fragment.tag_time_s is not None:
                # For putting together, time never goes back.
                tag_time_s = max(tag_time_s or 0.0, fragment.tag_time_s)
            at_s = tag_time_s or 0.0
            due_s = self._assembler.due_s
            if due_s is not None and due_s <= at_s:
                yield from ((due_s, epoch) for epoch in self._assembler.poll(due_s))
            self.tag_time_s = tag_time_s
            yield from ((tag_time_s, epoch) for epoch in self._assembler.feed(fragment, at_s))

    def finish_log(self) -> list[tuple[float | None, Epoch]]:
        """The log has ended: what was still waiting, with when it would have been handed on."""
        due_s = None if self.tag_time_s is None else self._assembler.due_s
        return [(due_s, epoch) for epoch in self.finish()]

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
