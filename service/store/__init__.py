"""What Postgres is asked, and nothing else: `.sql` files of named statements, and one small module an aggregate."""
