"""Where is it kept? The only room that speaks SQL."""
