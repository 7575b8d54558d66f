"""Monitoring of nitrogen generators on dry-pipe and preaction sprinkler systems."""

from importlib.metadata import PackageNotFoundError, version

try:
    __version__ = version("quietpipe")
except PackageNotFoundError:  # a checkout that was never installed
    __version__ = "0+unknown"
