"""What a group keeps: members, lots, readings, sales, prices; reading tables; limits; the database."""
