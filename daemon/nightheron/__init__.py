"""nightheron keeps watch over a CO2-fed calcium-carbonate chamber."""
