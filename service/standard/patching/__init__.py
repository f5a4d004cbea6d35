"""What does a resource look like after a patch? R4 page: RESTful API, section patch."""
