"""The stick: its partition, its keyboard, its orders, and the copies that go back to it."""
