"""The situation of a group, read once: verdicts, schedule, plan, actions, and what is assumed."""
