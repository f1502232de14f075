"""What did the user write? Reading and checking a scenario folder, every problem at once."""
