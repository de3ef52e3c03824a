"""What people read: the customer's page, made of a report alone."""
