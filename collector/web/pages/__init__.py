"""The board's pages: each route asks for facts, hands them to a view and fills a template."""
