"""From any wire to readings. Imports no other folder of ours; drivers are imported only when used."""
