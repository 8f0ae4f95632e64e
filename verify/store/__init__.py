"""The store of rebuild records: database, chain, signatures, pictures, people.

``verify.store.home.open_home`` opens all of it; nothing here is loaded by a check of photos.
"""
