"""What pictures of coupons said: measures and proposed grades, and what a person made of them."""
