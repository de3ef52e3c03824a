"""What carries heat away: the fan, and the way from the die to the air."""
