"""The scripted technician: a scenario's probe log, mistakes included, played through both doors."""
