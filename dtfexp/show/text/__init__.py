"""Sentences, tables and cautions shared by all papers."""
