"""What the commands on images do where the image is that of a card. It must not know how a volume is read."""
