"""The watch that stays with a nitrogen-filled sprinkler system after the installer leaves."""

from importlib.metadata import PackageNotFoundError, version

try:
    __version__ = version("quietpipe")
except PackageNotFoundError:  # a checkout that was never installed
    __version__ = "0+unknown"
