"""layers/internet"""
