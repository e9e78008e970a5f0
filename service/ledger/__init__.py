"""The two logs of a utility as Merkle trees: signed tree heads, proofs, and the audit that finds tampering.

The log of reports has a leaf a report. The log of facts has a leaf for every other row that is written or removed: register, decisions,
incidents, exceptions, assessments, grants, notices, imports, local rulebooks, signed heads; and one for each range of the change feed.
Triggers write it in the same transaction, numbered under the lock of the utility's log (migrations, `record.note_facts`). A leaf holds a
salted SHA-256 of the row, without its null columns, so that a column added later changes none. A table that is added to the record calls
`record.keep_facts` in its migration and is named in `facts.TRACKED`. Tiles, heads and proofs are the same code for both (`tree.py`).
"""
