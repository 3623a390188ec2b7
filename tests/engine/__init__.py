"""Tests of the engine: both deciders, the fence, and their agreement."""
