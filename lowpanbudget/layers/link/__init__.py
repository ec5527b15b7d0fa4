"""layers/link"""
