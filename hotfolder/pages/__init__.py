"""What all pages have in common: style, policy, templates, tables."""
