"""Who decides between readings.

A person who is asked, or the best reading where it is safe.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

from snowtally.proposals.proposal import Proposal, Value

Ask = Callable[[Proposal], Value]
"""Asks a person for one of a proposal's readings, and returns it."""


@dataclass
class Answers:
    """Settles proposals one after the other, and remembers them.

    Parameters
    ----------
    ask : asks a person; None where nobody can be asked.
    settled : every proposal, with the reading that counts.
    questions : those that more than one reading is possible of, and that nobody was asked for.
    """

    ask: Ask | None = None
    settled: list[Proposal] = field(default_factory=list)
    questions: list[Proposal] = field(default_factory=list)

    def settle(self, proposal: Proposal) -> Proposal:
        """Return a proposal with the reading that counts.

        A person is asked where several are possible. Where nobody can be asked the best one is taken, and noted as a question.
        """
        if proposal.is_open or not proposal.is_safe:
            if self.ask is None:
                self.questions.append(proposal)
            else:
                answer = self.ask(proposal)
                how = "confirmed" if answer == proposal.value else "your answer"
                proposal = replace(
                    proposal, value=answer, evidence=f"{proposal.evidence} ({how})", others=(), is_safe=True
                )
        self.settled.append(proposal)
        return proposal

    @property
    def undecided(self) -> list[Proposal]:
        """The questions for which no reading may be taken unasked.

        A wrong one would be silent.
        """
        return [one for one in self.questions if not one.is_safe]
