"""The record: reports, standings, incidents, reviews, assessments and the feed of their changes.

One component: its parts may import each other.
"""
