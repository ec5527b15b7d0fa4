"""layers/lowpan"""
