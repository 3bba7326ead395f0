"""The invented example: an invented valley, groups, people, prices and weather. Nothing here is real."""
