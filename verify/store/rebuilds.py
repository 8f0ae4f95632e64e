"""Rebuilds: each function is one thing that a person does; pages and commands call the same.

Every one of them reads the record, asks the rules, and writes one entry, in one transaction.
Whoever calls has made sure that ``by`` is the person who asks (``People.sign_in``).
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any, Concatenate, ParamSpec

from sqlalchemy import Connection, insert, select

from verify.domain import Result
from verify.machine_file import content_sha256, read_machine
from verify.rebuild import readings, rules
from verify.rebuild.days import business_day
from verify.rebuild.entries import Action, ClearedAs, Entry, to_rfc3339
from verify.rebuild.people import Actor, require_role
from verify.rebuild.plan import plan_of, plan_to_json
from verify.rebuild.replay import Rebuild, begin
from verify.rebuild.sanitizer import sanitizers
from verify.rebuild.states import State
from verify.store import claims, photos, tables, wear_kit
from verify.store.chain import append
from verify.store.people import actor_in, person_in
from verify.store.records import Records, Turn, columns_of
from verify.store.sites import Sites, machine_in

_Given = ParamSpec("_Given")
Judge = Callable[[Path, str], Result]  # a photo and the id of the view it should show


class Rebuilds(Records):
    """What people do to rebuilds."""

    def start(self, machine_id: str, *, by: str) -> Rebuild:
        """Begin a rebuild of a machine; its plan and the store's settings are kept in the record.

        Raises:
            RefusedError: another one is going on, or this person may not.
        """
        with self.database.read() as connection:
            known = machine_in(connection, machine_id)
        machine = read_machine(known.folder)  # files are read outside the transaction
        start = {
            "machine": machine_id,
            "title": str(machine.title),
            "number": known.number,
            "store": known.store,
            "plan": plan_to_json(plan_of(machine)),
            "taught": content_sha256(machine),
            "table": sanitizers().version,
        }
        now = self.clock()
        with self.write() as connection:
            require_role(Action.START, actor_in(connection, by, known.store, now))
            self._refuse_second(connection, machine_id, "finish it, or give it up with a reason")
            site = Sites(self.database, self.key, self.clock).site_in(connection, known.store)
            day = business_day(now, site.zone, site.day_starts).isoformat()
            data = {
                **start,
                "day": day,
                "zone": site.zone,
                "started_by": person_in(connection, by).name,
                "settings": site.settings.to_json(),
            }
            new_id = self._new_id(connection, machine_id, day)
            entry = append(
                connection, self.key, new_id, by=by, kind=Action.START, data=data, at=now
            )
            rebuild = begin(entry)
            self._note_head(connection, entry)
            connection.execute(insert(tables.rebuilds).values(id=new_id, **columns_of(rebuild)))
            return rebuild

    def photo(
        self, rebuild_id: str, step_id: str, photo: Path, *, by: str, judge: Judge
    ) -> Rebuild:
        """Add the photo of a step: keep it, judge it, hold it against what it claims to be.

        The same file sent again for the same step changes nothing, so that a phone may try again
        after a lost connection. What was found stands in ``rebuild.step(step_id)``.

        Args:
            rebuild_id: a rebuild that is going on.
            step_id: a photo step whose turn it is.
            photo: a file.
            by: who took it.
            judge: says what is in a photo, given the view; it may take seconds.

        Raises:
            UsageError: there is no such photo, step or rebuild.
            RefusedError: it is not the turn of this step, or not this person's.
        """
        if self.pictures is None:
            raise RuntimeError("opened without a place for pictures")
        before, actor = self._look(rebuild_id, by)
        with self.database.read() as connection:
            if self._came_before(connection, rebuild_id, by):
                return before
        state = rules.do_step(before, Action.PHOTO, step_id, actor)
        content = photos.read_file(photo)
        if photos.is_the_same(state, content):
            return before
        facts = claims.facts_of(photo)
        digest = self.pictures.put(content)
        result = judge(photo, state.step.view or "")
        photos.require_fits(result, before, state, digest)
        with self.database.read() as connection:
            asked = claims.Asked(before, step_id, digest, facts)
            doubts = claims.doubts_of(connection, asked, self.pictures)
        data = photos.photo_data(step_id, digest, len(content), facts, result, doubts)

        def decide(turn: Turn) -> Mapping[str, Any]:
            rules.do_step(turn.rebuild, Action.PHOTO, step_id, turn.actor)
            return data

        def also(connection: Connection, entry: Entry, rebuild: Rebuild) -> None:
            photos.note_use(connection, entry, rebuild.store, facts)

        return self._do(rebuild_id, Action.PHOTO, by, decide, also)

    def answer(
        self, rebuild_id: str, step_id: str, *, yes: bool, note: str = "", by: str
    ) -> Rebuild:
        """Answer a hand check. A no to a step that looks for leaks stops the machine."""
        return self._by(rebuild_id, Action.ANSWER, by, rules.answer, step_id, yes=yes, note=note)

    def reading(
        self, rebuild_id: str, step_id: str, value: float, *, unit: str | None = None, by: str
    ) -> Rebuild:
        """Write down a reading; it is judged by the plan, the store's settings and the table."""
        return self._by(rebuild_id, Action.READING, by, readings.read, step_id, value, unit)

    def skip(self, rebuild_id: str, step_id: str, reason: str, *, by: str) -> Rebuild:
        """Leave a step out, with a reason; it holds the machine."""
        return self._by(rebuild_id, Action.SKIP, by, rules.skip, step_id, reason)

    def acknowledge(self, rebuild_id: str, step_id: str, *, by: str) -> Rebuild:
        """Say that the cautions of a photo were read."""
        return self._by(rebuild_id, Action.ACKNOWLEDGE, by, rules.acknowledge, step_id)

    def replace_part(
        self, rebuild_id: str, item: str, reason: str, *, count: int = 1, by: str
    ) -> Rebuild:
        """Write down that a part was replaced from the wear kit.

        More than the kit lists may be fitted: the entry says how many it lacked.
        """

        def decide(turn: Turn) -> Mapping[str, Any]:
            stock = wear_kit.stock_of(turn.connection, turn.rebuild.machine, item)
            data = rules.replace_part(turn.rebuild, turn.actor, item, count=count, reason=reason)
            return {**data, "not_in_kit": max(0, count - stock)}

        def also(connection: Connection, entry: Entry, rebuild: Rebuild) -> None:
            day = self._today(connection, rebuild.store)
            said = wear_kit.Replaced(rebuild.machine, item, count, day, entry.by, reason.strip())
            now = wear_kit.fit(connection, said)
            data = {"machine": said.machine, "item": item, "rebuild": entry.chain, "n": entry.n}
            self.note(connection, wear_kit.REPLACED, entry.by, {**data, "now": now})

        return self._do(rebuild_id, Action.REPLACE, by, decide, also)

    def hand_in(self, rebuild_id: str, *, by: str) -> Rebuild:
        """Hand a rebuild in: all steps before start-up are answered."""
        return self._by(rebuild_id, Action.HAND_IN, by, rules.hand_in)

    def clear(
        self, rebuild_id: str, hold_id: str, result: ClearedAs, reason: str, *, by: str
    ) -> Rebuild:
        """Lift a hold after a look, with a reason."""
        return self._by(rebuild_id, Action.CLEAR, by, rules.clear, hold_id, result, reason)

    def send_back(self, rebuild_id: str, steps: Sequence[str], reason: str, *, by: str) -> Rebuild:
        """Have steps done again, with what hides them and all of start-up."""
        return self._by(rebuild_id, Action.SEND_BACK, by, rules.send_back, steps, reason)

    def release(
        self, rebuild_id: str, *, by: str, meaning: str = "Released for start-up."
    ) -> Rebuild:
        """Release a machine for start-up; the entry is signed."""
        return self._by(rebuild_id, Action.RELEASE, by, rules.release, meaning)

    def emergency_release(self, rebuild_id: str, reason: str, *, by: str) -> Rebuild:
        """Release because no supervisor answered; one has to countersign."""
        return self._do(
            rebuild_id,
            Action.EMERGENCY_RELEASE,
            by,
            lambda turn: rules.emergency_release(turn.rebuild, turn.actor, turn.at, reason),
        )

    def countersign(self, rebuild_id: str, *, note: str = "", by: str) -> Rebuild:
        """Look at an emergency release afterwards; the entry is signed."""
        return self._by(rebuild_id, Action.COUNTERSIGN, by, rules.countersign, note)

    def put_in_use(self, rebuild_id: str, *, by: str) -> Rebuild:
        """Say that start-up is done: product may be served."""
        return self._by(rebuild_id, Action.PUT_IN_USE, by, rules.put_in_use)

    def leak(
        self, rebuild_id: str, where: str, *, step_id: str | None = None, note: str = "", by: str
    ) -> Rebuild:
        """Report a leak after the start: the machine stops, the photos are tied to it.

        Where a newer rebuild of the machine has begun it is tied to the photos and counted, and
        changes nothing else: the machine is not what it was.
        """
        late = self._is_over(rebuild_id)
        action = Action.LATE_LEAK if late else Action.LEAK
        return self._by(rebuild_id, action, by, rules.leak, where, step_id, note, late=late)

    def out_of_service(self, rebuild_id: str, reason: str, *, by: str) -> Rebuild:
        """Take a machine out of service: a broken stud, no spare."""
        return self._by(rebuild_id, Action.OUT_OF_SERVICE, by, rules.out_of_service, reason)

    def return_to_work(
        self, rebuild_id: str, steps: Sequence[str], reason: str, *, by: str
    ) -> Rebuild:
        """Go on with a machine that was out of service, from the steps named."""
        return self._by(rebuild_id, Action.RETURN, by, rules.return_to_work, steps, reason)

    def give_up(self, rebuild_id: str, reason: str, *, by: str) -> Rebuild:
        """End a rebuild that is not going to be finished."""
        return self._by(rebuild_id, Action.GIVE_UP, by, rules.give_up, reason)

    def _by(
        self,
        rebuild_id: str,
        action: Action,
        by: str,
        rule: Callable[Concatenate[Rebuild, Actor, _Given], Mapping[str, Any]],
        *given: _Given.args,
        **named: _Given.kwargs,
    ) -> Rebuild:
        """Write the entry whose data a rule makes from what was given."""
        return self._do(
            rebuild_id, action, by, lambda turn: rule(turn.rebuild, turn.actor, *given, **named)
        )

    def _is_over(self, rebuild_id: str) -> bool:
        """True for a rebuild in use after which another one of its machine has begun."""
        c = tables.rebuilds.c
        with self.database.read() as connection:
            this = self._load(connection, rebuild_id)
            newer = select(c.id).where(
                c.machine == this.machine,
                c.started_at > to_rfc3339(this.started_at),
                c.state != State.GIVEN_UP.value,
            )
            found = connection.execute(newer.limit(1)).first() is not None
        return found and this.state is State.IN_USE

    def _new_id(self, connection: Connection, machine_id: str, day: str) -> str:
        c = tables.rebuilds.c
        stem = f"{machine_id[:40]}-{day}"
        taken = connection.execute(select(c.id).where(c.id.like(f"{stem}%"))).scalars()
        numbers = [int(m[1]) for i in taken if (m := re.fullmatch(rf"{stem}-(\d+)", i))]
        return f"{stem}-{max(numbers, default=0) + 1}"

    def _today(self, connection: Connection, store_id: str) -> str:
        site = Sites(self.database, self.key, self.clock).site_in(connection, store_id)
        return business_day(self.clock(), site.zone, site.day_starts).isoformat()
