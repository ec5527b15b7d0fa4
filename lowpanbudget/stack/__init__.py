"""stack"""
