"""Recorded readings: what ``export`` writes and ``replay`` reads."""

from collector.recorded.columns import columns_available, read_columns
from collector.recorded.reading import RecordingError, read_recordings
from collector.recorded.rows import Row, readings_of
from collector.recorded.sifting import Sieve, columns_within, rows_within
from collector.recorded.writing import write_csv, write_parquet

__all__ = [
    "RecordingError",
    "Row",
    "Sieve",
    "columns_available",
    "columns_within",
    "read_columns",
    "read_recordings",
    "readings_of",
    "rows_within",
    "write_csv",
    "write_parquet",
]
