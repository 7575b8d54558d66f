"""The board's pages: each route collects facts, passes them to a view and fills a template."""
