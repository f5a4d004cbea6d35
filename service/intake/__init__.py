"""How do session results of a clinic system come in?"""
