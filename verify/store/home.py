"""Opens everything that an installation keeps."""

from __future__ import annotations

from dataclasses import dataclass

from verify.settings import RecordSettings
from verify.store.base import Clock, now_utc
from verify.store.database import Database
from verify.store.deputies import Deputies
from verify.store.keys import SigningKey, open_key
from verify.store.messages import Messages
from verify.store.people import People
from verify.store.pictures import Pictures, open_pictures
from verify.store.rebuilds import Rebuilds
from verify.store.reviews import Reviews
from verify.store.sites import Sites
from verify.store.trends import Trends
from verify.store.wear_kit import WearKit


@dataclass(frozen=True)
class Home:
    """An open installation. Close it when done; several threads may share one.

    Attributes:
        people: who there is, and signing in.
        deputies: who stands in for a supervisor.
        sites: stores and machines.
        rebuilds: the records.
        wear: the wear kits.
        reviews: what managers say of flagged parts.
        trends: what goes wrong where, over weeks.
        messages: who is told that something waits.
    """

    database: Database
    key: SigningKey
    pictures: Pictures
    people: People
    deputies: Deputies
    sites: Sites
    rebuilds: Rebuilds
    wear: WearKit
    reviews: Reviews
    trends: Trends
    messages: Messages

    def close(self) -> None:
        """Close the database."""
        self.database.close()

    def __enter__(self) -> Home:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def open_home(settings: RecordSettings, clock: Clock = now_utc) -> Home:
    """Open the database, the key and the pictures; what is not there yet is made.

    Raises:
        StoreError: one of them cannot be reached or needs another version.
    """
    key = open_key(settings.keys)
    database = Database(settings.database)
    pictures = open_pictures(settings.pictures)
    shared = (database, key, clock)
    return Home(
        database=database,
        key=key,
        pictures=pictures,
        people=People(*shared),
        deputies=Deputies(*shared),
        sites=Sites(*shared),
        rebuilds=Rebuilds(*shared, pictures),
        wear=WearKit(*shared),
        reviews=Reviews(*shared),
        trends=Trends(*shared),
        messages=Messages(*shared),
    )
