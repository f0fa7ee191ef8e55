import click


@click.command()
def batch():
    pass
