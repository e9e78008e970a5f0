"""Webhooks: subscriptions to the change feed, and the delivery of their messages."""
