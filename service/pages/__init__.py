"""What does the therapist see in the browser?"""
