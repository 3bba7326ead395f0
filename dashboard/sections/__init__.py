"""Parts of pages: each file has one `show()`, drawn by the view that names it."""
