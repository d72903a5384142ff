"""The rental office: the Django project and the rental side. Imports nothing, so that the bootstrap can start bare."""
