"""Recorded readings: what ``export`` writes and ``replay`` reads."""

from collector.recorded.columns import columns_available, read_columns
from collector.recorded.reading import RecordingError, read_recordings
from collector.recorded.rows import Row, readings_of
from collector.recorded.writing import write_csv, write_parquet

__all__ = [
    "RecordingError",
    "Row",
    "columns_available",
    "read_columns",
    "read_recordings",
    "readings_of",
    "write_csv",
    "write_parquet",
]
