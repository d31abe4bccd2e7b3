"""The commands of `holdstill offsite`."""
