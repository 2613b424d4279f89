"""The corpus: what STANDARD demands of `touchmark examine`, built without its code."""
