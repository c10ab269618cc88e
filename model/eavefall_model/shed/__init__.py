"""Litter from crown to eave: production, dispersal from the crown edge, the way down the roof, months."""
