"""The instruments: each knows only its own commands, and the world behind them."""
