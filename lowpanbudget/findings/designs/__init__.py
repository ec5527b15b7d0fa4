"""Rules about designs: what they prove before anything is sent, subject by subject."""
