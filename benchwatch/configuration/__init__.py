"""The user's own settings: the configuration file and the variables of the environment.

In: ``config.toml`` in the user's configuration folder, and ``BENCHWATCH_...`` variables. Out: each
setting with where it comes from. Whatever is typed on the command line comes before both.
"""

from benchwatch.configuration.configuration_file import (
    CONFIG_VARIABLE,
    Configuration,
    Setting,
    configuration_path,
    load_configuration,
    variable_of,
)
from benchwatch.configuration.configuration_keys import KEYS_TABLE, configuration_table
from benchwatch.configuration.key_names import KeyName, read_key_name

__all__ = [
    "CONFIG_VARIABLE",
    "KEYS_TABLE",
    "Configuration",
    "KeyName",
    "Setting",
    "configuration_path",
    "configuration_table",
    "load_configuration",
    "read_key_name",
    "variable_of",
]
