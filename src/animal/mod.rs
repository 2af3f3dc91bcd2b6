//! What is measured on an animal: marks, spans, axes, appendages, and their evaluation.
