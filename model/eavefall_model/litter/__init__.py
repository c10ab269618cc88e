"""Litter of every month: what falls, what passes through a screen, how long gutter and screen wait."""
