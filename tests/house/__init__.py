"""The rules of the house: layers, lengths, style, reports and images that stay the same, benchmarks that run."""
