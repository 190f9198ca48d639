"""What several tests share: places, tools, devices, stores and mounts."""
