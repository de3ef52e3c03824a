"""The person at the bench: a terminal that asks, a rehearsal that answers, or nobody."""

from __future__ import annotations

from typing import TextIO

from agent.console import Page, Progress
from agent.machine.rehearsal.machine import RehearsalMachine
from checks.machine import Question
from reports.model.evidence import Absent, Answer, Why


class Unattended:
    """Nobody is there: every question stays open, which is an answer that did not come."""

    def __init__(self, progress: Progress) -> None:
        self._progress = progress

    def ask(self, question: Question) -> Answer | Absent:
        """Always absent."""
        return Absent(Why.DID_NOT_ANSWER, question.text, "nobody was asked: the run was unattended")

    def tell(self, words: str, fraction: float) -> None:
        """Show what is being done."""
        self._progress.tell(words, fraction)


class Rehearsed(Unattended):
    """A rehearsal unit's person, who answers from what the model of the unit does."""

    def __init__(self, progress: Progress, machine: RehearsalMachine, person: str) -> None:
        super().__init__(progress)
        self._machine = machine
        self._person = person

    def ask(self, question: Question) -> Answer | Absent:
        """What a truthful person in front of this unit would say."""
        return self._machine.answer(question, self._person)


class AtTheTerminal(Unattended):
    """A technician at the keyboard; options are chosen by their number."""

    def __init__(self, progress: Progress, page: Page, person: str, keyboard: TextIO) -> None:
        super().__init__(progress)
        self._page = page
        self._person = person
        self._keyboard = keyboard

    def ask(self, question: Question) -> Answer | Absent:
        """Ask until a number of the list is typed; an ended input is no answer."""
        with self._progress.out_of_the_way():
            self._page.say()
            self._page.say(question.text, style="bold")
            for number, option in enumerate(question.options, 1):
                self._page.say(f"{number} = {option}", indent=2)
            while True:
                self._page.console.print("number: ", end="")
                line = self._keyboard.readline()
                if not line:
                    return Absent(Why.DID_NOT_ANSWER, question.text, "the keyboard input ended")
                if (typed := line.strip()).isdecimal() and 1 <= int(typed) <= len(question.options):
                    return Answer(question.text, question.options[int(typed) - 1], self._person)
                self._page.say(f"please type a number from 1 to {len(question.options)}")
