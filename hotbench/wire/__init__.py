"""The common G-code line protocol: commands out, replies in; strings only."""
