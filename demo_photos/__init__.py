"""Rendered example photos with their sheets and truth; see the README in this folder."""
