"""The columnar path: batches of readings with the same result as readings one by one."""

from collector.rules.engine.batch.feed import BatchFeed

__all__ = ["BatchFeed"]
