"""What is checked against what outside the project, how well it holds, and where every coefficient comes from."""
