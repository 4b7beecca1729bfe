"""How much structural life is left: figures, details, forecast, records, the dossier."""
