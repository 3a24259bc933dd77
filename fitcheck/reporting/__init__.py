"""The inspection report: computed once as one model, written as PDF, HTML, JSON, CSV and zip."""
