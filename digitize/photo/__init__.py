"""Reading a photograph: upright pixels in linear light, and the facts its header tells."""
