"""Battery and charging."""
