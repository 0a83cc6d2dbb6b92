"""Quarter statistics, scores and ranking of suppliers, and the effectiveness of corrective actions."""
