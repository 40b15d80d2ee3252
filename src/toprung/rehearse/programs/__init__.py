"""Programs that run on the machines of a rehearsal: a participant for each library, and a wrong clock."""
