"""What whoever solders a fixture needs: pins, plugs, resistors to buy, drawings."""
