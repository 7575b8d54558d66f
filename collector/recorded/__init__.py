"""Recorded readings: what ``export`` writes and ``replay`` reads."""

from collector.recorded.column_reader import columns_available, read_columns
from collector.recorded.filtering import SiteFilter, columns_within, rows_within, site_readings
from collector.recorded.row_reader import RecordingError, read_recordings
from collector.recorded.rows import Row, readings_of
from collector.recorded.writer import write_csv, write_parquet

__all__ = [
    "RecordingError",
    "Row",
    "SiteFilter",
    "columns_available",
    "columns_within",
    "read_columns",
    "read_recordings",
    "readings_of",
    "rows_within",
    "site_readings",
    "write_csv",
    "write_parquet",
]
