"""Rules are compiled once and decided twice: by durable-rules behind a fence, and by a three-valued evaluator."""
