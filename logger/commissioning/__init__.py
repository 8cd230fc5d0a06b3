"""Day one: what is on the wire, what the bank is, and is the installation right?"""
