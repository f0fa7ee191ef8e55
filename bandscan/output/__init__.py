"""Results as text, JSON and pictures; reads the result types only."""
