"""holdfire: plan, check, rehearse, run and account for one photographer's solar eclipse."""

__version__ = "0.1.0"
