"""Model fitting: residuals, starts, selection, intervals, results."""
