"""What a site sets: its cranes, people, access, alerts, codes and service."""
