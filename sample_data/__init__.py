"""The orchard scenario: a simulated bank in an unheated cider house, served over the real protocols."""
