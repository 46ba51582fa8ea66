"""The bodies that a core is made of, and their exact or bounded mass properties."""
