"""The sub-commands of ``quietpipe``: one module each, with ``add_arguments`` and ``run``."""
